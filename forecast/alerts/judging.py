"""Was an alert right? Alerts held against the weeks that came, counted and never smoothed over.

An alert is a *hit* where any of the weeks it spoke of was high, a *false alarm* where none was, and
not known while a week may still tell. High weeks that follow each other, with at most one other
between, are one *event*: it was warned of where an alert made before its first week spoke of any
of its weeks, else it is a *miss*. That a season is over is no warning: it was right where none of
its weeks was high.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from forecast.alerts.deciding import OVER, table
from models.backtest import season_blocks
from models.scores import AlertTable, MeanInterval, block_bootstrap_mean
from models.weeks import DAYS_IN_WEEK

Weeks = Mapping[tuple[str, date], bool]  # whether a region's week, by its Monday, was high
# the first day on which somebody looked and could have spoken of a region's week
Reach = Mapping[tuple[str, date], date]
_PAUSE = 2 * DAYS_IN_WEEK  # days between Mondays of one event


@dataclass(frozen=True)
class Given:
    """An alert that was made, or would have been: of a region, on a day, about some weeks.

    One that was withdrawn is judged like any other: it was said.
    """

    region_id: str
    kind: str
    day: date
    weeks: tuple[date, ...]
    odds: float | None = None
    alert_id: str = ""
    is_withdrawn: bool = False

    @property
    def last_day(self) -> date:
        """The Sunday of its last week."""
        return self.weeks[-1] + timedelta(days=DAYS_IN_WEEK - 1)

    @property
    def warns(self) -> bool:
        """Whether it warns of high weeks."""
        return self.kind != OVER


@dataclass(frozen=True)
class Outcome:
    """What came of one alert; `is_right` and `lead_days` are None where not known or not given."""

    given: Given
    is_right: bool | None
    n_high: int
    n_known: int
    lead_days: int | None

    @property
    def words(self) -> str:
        """What came, in a word or two, and that it was withdrawn."""
        return f"{self._came}; withdrawn" if self.given.is_withdrawn else self._came

    @property
    def _came(self) -> str:
        if self.is_right is None:
            return "not known yet"
        if self.given.warns:
            return "hit" if self.is_right else "false alarm"
        return "was over" if self.is_right else "was not over"


@dataclass(frozen=True)
class Tally:
    """What some alerts came to.

    Attributes
    ----------
    outcomes
        One an alert, the newest first.
    n_events, n_missed
        Events in the weeks that are known, and those nobody was warned of.
    n_out_of_reach
        Events more, of which nobody could have been warned: no forecast gone through reached them.
    by_week
        Weeks warned of and not, high and not, over all regions; those within reach.
    detection, false_alarms
        Shares of the events that were warned of and of the warnings that were false, with an
        interval from whole seasons; None below ten of them, where counts say all there is.
    lead_days
        The middle one of the hits' days from alert to the first high week; None without hits.
    """

    outcomes: tuple[Outcome, ...]
    n_events: int
    n_missed: int
    n_out_of_reach: int
    by_week: AlertTable
    detection: MeanInterval | None
    false_alarms: MeanInterval | None
    lead_days: float | None

    @property
    def n_hits(self) -> int:
        """Warnings that were right."""
        return sum(o.is_right is True and o.given.warns for o in self.outcomes)

    @property
    def n_false_alarms(self) -> int:
        """Warnings that were not."""
        return sum(o.is_right is False and o.given.warns for o in self.outcomes)

    @property
    def n_waiting(self) -> int:
        """Alerts of which it is not known yet."""
        return sum(o.is_right is None for o in self.outcomes)

    @property
    def scores(self) -> dict[str, float | None]:
        """Contingency scores of weeks; None where the counts do not define one."""
        return {
            name: None if math.isnan(value) else value
            for name, value in self.by_week.scores().items()
        }

    @property
    def sentence(self) -> str:
        """The tally in a sentence: counts first, shares only where there is enough to share."""
        if not self.outcomes and not self.n_events and not self.n_out_of_reach:
            return "No alert and no high week is on record yet"
        said = [self._warnings_said, self._events_said]
        if n_over := len(self._over):
            right = sum(o.is_right is True for o in self._over)
            said.append(f"that a season is over was right {right} of {_many(n_over, 'time')}")
        if self.n_waiting:
            said.append(f"of {_many(self.n_waiting, 'alert')} it is not known yet")
        if self.lead_days is not None:
            said.append(f"half of the right ones came {self.lead_days:.0f} days or more ahead")
        shares = [] if self.detection is None else [f"Events warned of: {_share(self.detection)}"]
        if self.false_alarms is not None:
            shares.append(f"Warnings that were false: {_share(self.false_alarms)}")
        return ". ".join(["; ".join(said), *shares])

    @property
    def _over(self) -> list[Outcome]:
        """What said that a season is over, and can be judged."""
        return [o for o in self.outcomes if not o.given.warns and o.is_right is not None]

    @property
    def _warnings_said(self) -> str:
        n = self.n_hits + self.n_false_alarms
        if not n:
            return "no warning can be judged yet"
        return f"{self.n_hits} of {_many(n, 'warning')} {_was(self.n_hits, n)} right"

    @property
    def _events_said(self) -> str:
        """Say how many events were warned of: one that had begun was not, though it was a hit."""
        told = self.n_events - self.n_missed
        if self.n_events:
            was, they = _was(told, self.n_events), "it" if self.n_events == 1 else "they"
            said = f"{told} of {_many(self.n_events, 'event')} {was} warned of before {they} began"
        else:
            said = "no run of high weeks is known yet"
        if self.n_out_of_reach:
            more = f"{self.n_out_of_reach} more lay between the forecasts gone through"
            said += f" ({more}, out of reach)"
        return said


def tally(given: Iterable[Given], high: Weeks, *, seed: int, reach: Reach | None = None) -> Tally:
    """Hold alerts against weeks; only weeks that `high` holds are known.

    With `reach`, events and weeks that it does not hold, or an event that had begun by the first
    look that reached it, are no misses. Without, somebody looked every day.
    """
    ordered = sorted(given, key=lambda one: (one.day, one.region_id, one.kind), reverse=True)
    outcomes = tuple(_outcome(one, high) for one in ordered)
    every = events(high)
    found = [event for event in every if _could_be_told(event, reach)]
    warned = [_was_warned(ordered, *event) for event in found]
    n_missed = warned.count(False)
    leads = [o.lead_days for o in outcomes if o.lead_days is not None]
    detection = false_alarms = None
    fewest = table().number("record.fewest_events")
    if len(found) >= fewest:
        detection = _mean(warned, [weeks[0] for _, weeks in found], seed)
    told = [o for o in outcomes if o.given.warns and o.is_right is not None]
    if len(told) >= fewest:
        false_alarms = _mean([not o.is_right for o in told], [o.given.day for o in told], seed)
    return Tally(
        outcomes,
        len(found),
        n_missed,
        len(every) - len(found),
        _by_week(ordered, high, reach),
        detection,
        false_alarms,
        float(np.median(leads)) if leads else None,
    )


def events(high: Weeks) -> list[tuple[str, list[date]]]:
    """Return every event: its region and its high weeks, by their first."""
    found: list[tuple[str, list[date]]] = []
    for region, week in sorted(place for place, was_high in high.items() if was_high):
        last = found[-1] if found else None
        if last is not None and last[0] == region and (week - last[1][-1]).days <= _PAUSE:
            last[1].append(week)
        else:
            found.append((region, [week]))
    return sorted(found, key=lambda event: (event[1][0], event[0]))


def _could_be_told(event: tuple[str, Sequence[date]], reach: Reach | None) -> bool:
    region, weeks = event
    if reach is None:
        return True
    looks = [reach[region, week] for week in weeks if (region, week) in reach]
    return bool(looks) and min(looks) < weeks[0]


def _outcome(one: Given, high: Weeks) -> Outcome:
    known = {week: high[one.region_id, week] for week in one.weeks if (one.region_id, week) in high}
    came = [week for week, was_high in known.items() if was_high]
    is_right: bool | None = None
    if came:
        is_right = one.warns
    elif len(known) == len(one.weeks):
        is_right = not one.warns
    lead = (min(came) - one.day).days if came and one.warns else None
    return Outcome(one, is_right, len(came), len(known), lead)


def _was_warned(given: Sequence[Given], region: str, weeks: Sequence[date]) -> bool:
    return any(
        one.warns and one.region_id == region and one.day < weeks[0] and set(one.weeks) & {*weeks}
        for one in given
    )


def _by_week(given: Sequence[Given], high: Weeks, reach: Reach | None) -> AlertTable:
    warned = {(one.region_id, week) for one in given if one.warns for week in one.weeks}
    cells = [
        (place in warned, was_high)
        for place, was_high in high.items()
        if reach is None or place in reach or place in warned
    ]
    return AlertTable(
        hits=cells.count((True, True)),
        false_alarms=cells.count((True, False)),
        misses=cells.count((False, True)),
        correct_negatives=cells.count((False, False)),
        not_known=len(warned - set(high)),
    )


def _mean(values: Sequence[bool], days: Sequence[date], seed: int) -> MeanInterval | None:
    if not values:
        return None
    blocks = season_blocks(np.array(days, dtype="datetime64[D]"))
    return block_bootstrap_mean(np.array(values, float), blocks, seed=seed, few_blocks=True)


def _many(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _was(n: int, of: int) -> str:
    return "was" if 1 in (n, of) else "were"


def _share(found: MeanInterval) -> str:
    low, high = (min(max(end, 0.0), 1.0) for end in (found.low, found.high))
    if math.isnan(low) or math.isnan(high):
        return f"{found.mean:.0%} (one season, so no interval)"
    if low == high:
        return f"{found.mean:.0%} (all seasons alike, so no interval)"
    return f"{found.mean:.0%} (9 times in 10 between {low:.0%} and {high:.0%})"
