"""The days ahead of one dog: its risk by day, its risk weeks, the open days, and past seasons.

A dose ahead of the season is only ever considered on days that the dog's own record backs: flares
in the weeks the dose would cover, in enough earlier seasons.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from forecast.dosing.dog_record import DogRecord
from forecast.dosing.dog_risk import DogRisk
from forecast.dosing.readiness import add_months
from forecast.dosing.schedule import (
    DosingProblem,
    Flags,
    Floats,
    covered,
)
from forecast.dosing.therapies import DosingError, days_rule, rule
from models.weeks import DAYS_IN_WEEK, monday_of

_ROUNDING = 1e-9


@dataclass(frozen=True)
class DogSeason:
    """A dog's days ahead: the problem, the clinic's open days and the seasons that back a dose.

    `backed[k, i]` says whether flares of `years_back[k]` years ago lay in the weeks that a dose on
    day i covers.
    """

    problem: DosingProblem
    scenarios: Floats
    open_days: Flags
    years_back: tuple[int, ...]
    backed: Flags

    @property
    def has_pattern(self) -> bool:
        """Whether any day ahead is backed by flares in enough earlier seasons."""
        return bool(_is_backed(self.backed).any())

    def seasons_behind(self, day: date) -> list[int]:
        """Return the years of the seasons whose flares back a dose on a day, oldest first."""
        place = (day - self.problem.start).days
        backing = np.flatnonzero(self.backed[:, place])
        return sorted(day.year - self.years_back[k] for k in backing)


def days_ahead(risk: DogRisk, today: date) -> tuple[date, Floats, Floats]:
    """Return the first day, the risk of each day from it, and its scenarios (scenario, day).

    The first day is today, or the first week's Monday; a day carries a seventh of its week's risk.
    """
    weeks = risk.weeks.astype("datetime64[D]")
    steps = np.diff(weeks) == np.timedelta64(DAYS_IN_WEEK, "D")
    if not len(weeks) or not steps.all() or weeks[0].item().weekday() != 0:
        raise DosingError(
            f"a plan was asked with {len(weeks)} weeks of risk that are not Mondays in a row; "
            "give every week from the issue, named by its Monday"
        )
    first = weeks[0].item()
    last = first + timedelta(days=DAYS_IN_WEEK * len(weeks) - 1)
    if not first - timedelta(days=DAYS_IN_WEEK) <= today <= last:
        raise DosingError(
            f"a plan from {today} was asked with the risk of {first} to {last}; today must lie in "
            "those weeks or the one before; use the newest issue"
        )
    start = max(today, first)
    skip = (start - first).days
    daily = np.repeat(np.asarray(risk.probability, dtype=float) / DAYS_IN_WEEK, DAYS_IN_WEEK)
    courses = np.repeat(risk.scenarios / DAYS_IN_WEEK, DAYS_IN_WEEK, axis=1)
    return start, daily[skip:], courses[:, skip:]


def dog_season(
    dog: DogRecord,
    problem: DosingProblem,
    *,
    scenarios: Floats,
    open_days: Collection[date],
    today: date,
) -> DogSeason:
    """Return the days ahead with the days on which a dose may be given to this dog."""
    earliest = today + timedelta(days=days_rule("plan.notice"))
    is_open = open_flags(problem.start, problem.n_days, frozenset(open_days), earliest)
    years, backed = _seasons_behind(dog, problem, today)
    may_dose = is_open & _is_backed(backed)
    return DogSeason(replace(problem, may_dose=may_dose), scenarios, is_open, years, backed)


@lru_cache(maxsize=256)  # the same for all dogs of a branch
def open_flags(start: date, n_days: int, open_days: frozenset[date], earliest: date) -> Flags:
    """Return for each day from the start whether doses can be given on it."""
    days = (start + timedelta(days=index) for index in range(n_days))
    flags = np.array([day in open_days and day >= earliest for day in days], dtype=bool)
    flags.setflags(write=False)
    return flags


def _is_backed(backed: Flags) -> Flags:
    enough: Flags = backed.sum(axis=0) >= days_rule("plan.seasons_needed")
    return enough


def _seasons_behind(
    dog: DogRecord, problem: DosingProblem, today: date
) -> tuple[tuple[int, ...], Flags]:
    """Return years back, and for each of them and each day whether its flares back a dose.

    A flare, moved on by whole years, backs every dose whose cover (with the slack of the table on
    both sides) holds it. Each number of years back is one season, also across New Year.
    """
    found: dict[int, Flags] = {}
    slack, cover = days_rule("plan.same_season_window"), problem.cover
    for flare in (day for day in dog.flare_visits if day <= today):
        around = problem.start.year - flare.year
        for years in range(max(1, around - 1), around + 3):
            again = (add_months(flare, 12 * years) - problem.start).days
            first = max(again - (cover.ends_at - 1) - slack, 0)
            last = min(again - cover.onset + slack, problem.n_days - 1)
            if first <= last:
                own = found.setdefault(years, np.zeros(problem.n_days, dtype=bool))
                own[first : last + 1] = True
    if not found:
        return (), np.zeros((0, problem.n_days), dtype=bool)
    return tuple(found), np.stack(list(found.values()))


# ------------------------------------------------------------------------------------ risk weeks
def _week_sums(start: date, daily: Floats) -> Floats:
    """Add up days by week, from the week that holds the start on."""
    week = (np.arange(len(daily)) + start.weekday()) // DAYS_IN_WEEK
    sums: Floats = np.bincount(week, weights=daily).astype(float)
    return sums


def _heaviest(start: date, daily: Floats) -> NDArray[np.int64]:
    weeks = _week_sums(start, daily)
    order = np.argsort(-weeks, kind="stable")
    gathered = np.cumsum(weeks[order])
    wanted = rule("plan.risk_week_share") * weeks.sum()
    # equal weeks add up to just below what they should
    enough = 0 if wanted == 0 else int(np.argmax(gathered >= wanted * (1 - _ROUNDING))) + 1
    return np.sort(order[:enough])


def risk_weeks(problem: DosingProblem) -> list[date]:
    """Return the fewest weeks that hold the table's share of the dog's risk ahead, in order."""
    return heaviest_weeks(problem.start, problem.daily_risk)


def heaviest_weeks(start: date, daily: Floats) -> list[date]:
    """Return the fewest weeks that hold the table's share of a risk by day, in order."""
    return _mondays(start, _heaviest(start, daily))


def uncovered_weeks(problem: DosingProblem, dates: tuple[date, ...]) -> tuple[date, ...]:
    """Return the risk weeks of which less than the table's share is covered."""
    heavy = _heaviest(problem.start, problem.daily_risk)
    days = _week_sums(problem.start, np.ones(problem.n_days))[heavy]
    shares = _week_sums(problem.start, covered(problem, dates))[heavy]
    return tuple(_mondays(problem.start, heavy[shares / days < rule("plan.covered_share")]))


def _mondays(start: date, weeks: NDArray[np.int64]) -> list[date]:
    first = monday_of(start)
    return [first + timedelta(days=DAYS_IN_WEEK * int(week)) for week in weeks]
