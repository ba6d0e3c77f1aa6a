"""When one dog's season begins and ends, with the odds; and what follows for what is given daily.

The season is read off the equally likely courses of the dog's risk: it has begun once the table's
small share of the risk of the weeks ahead is past, and is over when as much is left.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from forecast.dosing.dog_record import Reason
from forecast.dosing.readiness import add_months
from forecast.dosing.schedule import Floats
from forecast.dosing.therapies import Therapy, rule
from forecast.dosing.work_up import HOUSE

DAILY_TABLET, IMMUNOTHERAPY = "daily_jak_inhibitor", "allergen_immunotherapy"
_MONTHS_A_YEAR = 12


@dataclass(frozen=True)
class DateSpread:
    """A date that is not known: the middle, and the two between which it falls with `odds`."""

    early: date
    middle: date
    late: date
    odds: float


@dataclass(frozen=True)
class SeasonDates:
    """Start and end of one dog's season in the weeks ahead.

    `starts` holds the day of the start in each course that has any risk, numbered from `first`.
    """

    first: date
    start: DateSpread
    end: DateSpread
    starts: NDArray[np.int64] = field(repr=False, compare=False)

    def chance_begun_after(self, day: date) -> float:
        """Return the chance that the season begins on a day or later."""
        return float((self.starts >= (day - self.first).days).mean())


def season_dates(first: date, scenarios: Floats) -> SeasonDates | None:
    """Read start and end off the courses of daily risk (scenario, day); None without any risk."""
    tail = rule("plan.season_tail")
    past = np.cumsum(scenarios, axis=1)
    total = past[:, -1]
    past = past[total > 0] / total[total > 0, None]
    if not len(past):
        return None
    starts = (past >= tail).argmax(axis=1)
    ends = (past >= 1 - tail).argmax(axis=1)
    low, high = rule("plan.odds_low"), rule("plan.odds_high")
    days = np.quantile([starts, ends], [low, 0.5, high], axis=1, method="nearest")
    start, end = (
        DateSpread(early, middle, late, odds=high - low)
        for early, middle, late in ([first + timedelta(days=int(d)) for d in of] for of in days.T)
    )
    return SeasonDates(first, start, end, starts)


def when_to_begin(kind: Therapy, season: SeasonDates | None, *, today: date) -> list[Reason]:
    """Say when a course is begun and ended, of the therapies for which a season tells that."""
    if season is None:
        return []
    if kind.id == DAILY_TABLET:
        return [_tablets(season)]
    if kind.id == IMMUNOTHERAPY:
        return [_immunotherapy(kind, season.start.middle, today)]
    return []


def _tablets(season: SeasonDates) -> Reason:
    start, end = season.start, season.end
    sentence = (
        f"daily tablets: start at the first itch, most likely around {start.middle} and with "
        f"{start.odds:.0%} odds between {start.early} and {start.late}; see whether they can stop "
        f"around {end.middle} ({end.odds:.0%} odds: between {end.early} and {end.late}); they act "
        "within the day, so tablets ahead of the first itch spare nothing"
    )
    return Reason("tablet_dates", sentence, HOUSE)


def immunotherapy_window(kind: Therapy, season_start: date) -> tuple[date, date]:
    """Return the days between which a course must begin to help in a season, first and last."""
    slowest, fastest = kind.days("full_effect"), kind.days("onset")
    return season_start - timedelta(days=slowest), season_start - timedelta(days=fastest)


def _immunotherapy(kind: Therapy, season_start: date, today: date) -> Reason:
    source = kind.parameters["onset"].source
    first, last = immunotherapy_window(kind, season_start)
    if today <= last:
        sentence = (
            f"it must begin months before: for the season expected from {season_start}, between "
            f"{first} and {last}; begun on {last} it helps only if it acts as fast as ever"
        )
        return Reason("begin_months_before", sentence, source)
    later = add_months(season_start, _MONTHS_A_YEAR)
    first, last = immunotherapy_window(kind, later)
    sentence = (
        f"it must begin months before, so it is too late for the season expected from "
        f"{season_start}; for the next, from about {later}, it begins between {first} and {last}"
    )
    return Reason("begin_months_before", sentence, source)
