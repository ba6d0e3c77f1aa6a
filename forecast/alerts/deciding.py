"""When a region is spoken of: a pure function of its rule, its odds ahead and what was said before.

An alert is worth its cost where the odds of a high week are above the cost/loss ratio: warning
costs C each time, not warning costs L each time a high week comes, so warning is cheaper in the
long run where p L > C (Murphy A.H. 1977, Monthly Weather Review 105:803-816). Odds are those of
pressure, never of visits, which alerts themselves bring.

A region *is on* from when it is spoken of until all odds of the weeks within reach have sunk below
the lower threshold: odds that waver about one threshold would speak of the same weeks again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache
from typing import Final

from forecast.records.alert_rules import AlertRule
from forecast.records.alerts import Kind
from models.parameters import ParameterTable, load_table
from models.weeks import DAYS_IN_WEEK, monday_of

NEAR: Final = "season near"
PEAK: Final = "peak near"
OVER: Final = "season over"
SUDDEN: Final = "sudden high week"


@dataclass(frozen=True)
class WeekAhead:
    """One week ahead of a region: odds that it is high, and how often it was in past years.

    Either is None where it is not known.
    """

    week: date
    odds: float | None
    usual: float | None


@dataclass(frozen=True)
class Standing:
    """What was said of a region before.

    Attributes
    ----------
    is_on
        Whether it counts as high since it was spoken of.
    spoken
        When it was spoken of last, by kind.
    """

    is_on: bool = False
    spoken: tuple[tuple[Kind, date], ...] = ()

    @property
    def last(self) -> date | None:
        """When it was spoken of last at all."""
        return max((day for _, day in self.spoken), default=None)

    def after(self, kind: Kind, day: date) -> Standing:
        """Return the standing after it was spoken of."""
        told = dict(self.spoken) | {kind: day}
        return Standing(kind != OVER, tuple(told.items()))

    def said_within(self, kind: str, weeks: float, day: date) -> bool:
        """Say whether a kind was spoken of within so many weeks before a day."""
        told = dict(self.spoken).get(kind)  # type: ignore[call-overload]
        return told is not None and day - told < timedelta(weeks=weeks)


@dataclass(frozen=True)
class Spoken:
    """That a region is to be spoken of: as what, of which weeks, with which odds.

    `odds` and `usual` are those of the week with the highest odds, `best`.
    """

    kind: Kind
    day: date
    weeks: tuple[date, ...]
    best: date
    odds: float
    usual: float | None


@dataclass(frozen=True)
class Looked:
    """What a look at one region came to: why, in words, and the standing from now on."""

    why: str
    standing: Standing
    spoken: Spoken | None = field(default=None)


def decide(rule: AlertRule, weeks: Sequence[WeekAhead], standing: Standing, *, day: date) -> Looked:
    """Decide whether a region is spoken of on a day.

    Parameters
    ----------
    rule
        The region's.
    weeks
        The weeks ahead, in their order.
    standing
        What was said before.
    day
        The day of the forecast that the odds are of.
    """
    known = [one for one in weeks if one.odds is not None]
    reach = [one for one in known if _lead(one, day, rule)]
    if not reach:
        return Looked("no odds of a week within reach are known", standing)
    if standing.is_on and all(_odds(one) < rule.off_odds for one in reach):
        return _over(rule, weeks, standing, day)
    high = [one for one in reach if _odds(one) >= rule.on_odds]
    if not high:
        return Looked(
            f"the highest odds within reach, {max(map(_odds, reach)):.0%}, are below the "
            f"threshold, {rule.on_odds:.0%}",
            standing,
        )
    if (wait := _gap_left(rule, standing, day)) > 0:
        return Looked(f"odds are above the threshold; the gap has {wait} days left", standing)
    is_season = _is_season(rule, reach)
    was_said = standing.said_within(NEAR, _number("kinds.once_a_season"), day)
    if is_season and NEAR in rule.kinds and not was_said:
        return _speak(NEAR, rule, _run(known, high[0], rule), standing, day)
    if standing.is_on:
        return _peak(rule, known, standing, day)
    if is_season:
        why = "this season was spoken of already" if was_said else f"{NEAR}: {_LEFT_OUT}"
        return Looked(why, Standing(True, standing.spoken))
    return _speak(SUDDEN, rule, _run(known, high[0], rule), standing, day)


_LEFT_OUT = "the rule does not speak of it"


def _over(rule: AlertRule, weeks: Sequence[WeekAhead], standing: Standing, day: date) -> Looked:
    quiet, ahead = Standing(False, standing.spoken), _quiet_weeks(rule, weeks, day)
    if isinstance(ahead, str):
        return Looked(f"odds have sunk within reach; {ahead}", standing)
    if not standing.said_within(NEAR, _number("kinds.once_a_season"), day):
        return Looked("odds have sunk below the lower threshold; no season was spoken of", quiet)
    if standing.said_within(OVER, _number("kinds.once_a_season"), day):
        return Looked("odds have sunk below the lower threshold; that was said already", quiet)
    if (wait := _gap_left(rule, standing, day)) > 0:
        return Looked(f"the season is over; the gap has {wait} days left", standing)
    return _speak(OVER, rule, ahead, quiet, day)


def _quiet_weeks(rule: AlertRule, weeks: Iterable[WeekAhead], day: date) -> list[WeekAhead] | str:
    """Return the weeks ahead that a season is over by, or why it is not, or not known to be."""
    held = {one.week: one for one in weeks if one.odds is not None}
    ahead, week = [], monday_of(day + timedelta(days=DAYS_IN_WEEK - 1))
    for _ in range(int(_number("kinds.quiet_weeks"))):
        one = held.get(week)
        if one is None:
            return f"of the week of {week} no odds are known: the season may not be over"
        if _odds(one) >= rule.off_odds:
            return (
                f"the week of {week} has odds of {_odds(one):.0%}, not below "
                f"{rule.off_odds:.0%}: the season is not over"
            )
        ahead.append(one)
        week += timedelta(days=DAYS_IN_WEEK)
    return ahead


def _peak(rule: AlertRule, known: list[WeekAhead], standing: Standing, day: date) -> Looked:
    ahead = [one for one in known if one.week >= day][: int(_number("kinds.peak_within"))]
    peak = max(ahead, key=_odds)
    if standing.said_within(PEAK, _number("kinds.once_a_season"), day):
        return Looked("the region is on since it was spoken of, its peak too", standing)
    if not _lead(peak, day, rule) or _odds(peak) < rule.on_odds:
        return Looked("the region is on since it was spoken of; its peak is not near", standing)
    return _speak(PEAK, rule, [peak], standing, day)


def _speak(
    kind: Kind, rule: AlertRule, weeks: list[WeekAhead], standing: Standing, day: date
) -> Looked:
    if kind not in rule.kinds:
        return Looked(f"{kind}: {_LEFT_OUT}", standing)
    best = max(weeks, key=_odds)
    spoken = Spoken(kind, day, tuple(one.week for one in weeks), best.week, _odds(best), best.usual)
    return Looked(kind, standing.after(kind, day), spoken)


def span_of(rule: AlertRule, kind: Kind, weeks: Sequence[WeekAhead], *, day: date) -> Spoken | str:
    """Return what an alert of a kind would speak of if a person asked for it, or why it must not.

    Gap and what was said before are the person's to know; what the odds do not bear out is not
    said, whoever asks.
    """
    known = [one for one in weeks if one.odds is not None]
    reach = [one for one in known if _lead(one, day, rule)]
    if not reach:
        return (
            f"of no week {rule.shortest_lead} to {rule.longest_lead} days ahead odds are known: "
            "the newest forecast is too old, or there are no visits to forecast from"
        )
    high = [one for one in reach if _odds(one) >= rule.on_odds]
    if kind == OVER:
        quiet = _quiet_weeks(rule, weeks, day)
        if isinstance(quiet, str):
            return quiet
        chosen = quiet
    elif not high:
        return (
            f"the highest odds within reach are {max(map(_odds, reach)):.0%}, below the rule's "
            f"{rule.on_odds:.0%}: the alert would say what the forecast does not"
        )
    else:
        chosen = [max(high, key=_odds)] if kind == PEAK else _run(known, high[0], rule)
    top = max(chosen, key=_odds)
    return Spoken(kind, day, tuple(one.week for one in chosen), top.week, _odds(top), top.usual)


def _run(known: list[WeekAhead], first: WeekAhead, rule: AlertRule) -> list[WeekAhead]:
    """Return the weeks from a first one on whose odds stay above the lower threshold."""
    found: list[WeekAhead] = []
    for one in known[known.index(first) :]:
        if found and (one.week - found[-1].week).days != DAYS_IN_WEEK:
            break
        if found and _odds(one) < rule.off_odds:
            break
        found.append(one)
    return found[: int(_number("kinds.longest_weeks"))]


def _is_season(rule: AlertRule, reach: Iterable[WeekAhead]) -> bool:
    """Say whether past years would have called some week within reach high: no surprise."""
    return any(one.usual is not None and one.usual >= rule.on_odds for one in reach)


def _lead(one: WeekAhead, day: date, rule: AlertRule) -> bool:
    return rule.shortest_lead <= (one.week - day).days <= rule.longest_lead


def _gap_left(rule: AlertRule, standing: Standing, day: date) -> int:
    return 0 if standing.last is None else max(0, rule.gap - (day - standing.last).days)


def _odds(one: WeekAhead) -> float:
    assert one.odds is not None
    return one.odds


# ------------------------------------------------------------------------------ the budget
def budget_since(day: date) -> date:
    """Return the day from which on alerts to an owner count, for one that goes out on a day."""
    return day - timedelta(days=_number("budget.days"))


def is_within_budget(rule: AlertRule, n_told: int) -> bool:
    """Say whether an owner who was told so many alerts since `budget_since` may be told another.

    All alerts count, of every kind, region and pet; not what tells that one is withdrawn.
    """
    return n_told < rule.budget


@cache
def table() -> ParameterTable:
    """Return the table of this room."""
    return load_table("forecast.alerts", "alerts.toml")


def _number(name: str) -> float:
    return table().number(name)
