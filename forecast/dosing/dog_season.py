"""The days ahead of one dog: its risk by day, its risk weeks, the open days, and past seasons.

A dose ahead of the season is only ever considered on days that the dog's own record backs: flares
in the weeks the dose would cover, in enough earlier seasons.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from forecast.dosing.dog_record import DogRecord
from forecast.dosing.dog_risk import DogRisk
from forecast.dosing.readiness import add_months
from forecast.dosing.schedule import (
    DosingProblem,
    Flags,
    Floats,
    Outcome,
    covered,
    every_interval,
    no_dose,
)
from forecast.dosing.therapies import DosingError, days_rule, rule
from models.weeks import DAYS_IN_WEEK, monday_of


@dataclass(frozen=True)
class DogSeason:
    """A dog's days ahead: the problem, the clinic's open days and the seasons that back a dose.

    `years_back[i]` holds how many years ago flares lay in the weeks that a dose on day i covers.
    """

    problem: DosingProblem
    scenarios: Floats
    open_days: Flags
    years_back: tuple[frozenset[int], ...]

    @property
    def has_pattern(self) -> bool:
        """Whether any day ahead is backed by flares in enough earlier seasons."""
        needed = days_rule("plan.seasons_needed")
        return any(len(years) >= needed for years in self.years_back)


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
    days = [problem.start + timedelta(days=index) for index in range(problem.n_days)]
    is_open = np.array([day in open_days and day >= earliest for day in days], dtype=bool)
    years = _years_back(dog, problem, today)
    backed = np.array([len(found) >= days_rule("plan.seasons_needed") for found in years])
    return DogSeason(replace(problem, may_dose=is_open & backed), scenarios, is_open, years)


def _years_back(dog: DogRecord, problem: DosingProblem, today: date) -> tuple[frozenset[int], ...]:
    """Return for each day how many years back a flare lay in the weeks a dose would cover.

    A flare, moved on by whole years, backs every dose whose cover (with the slack of the table on
    both sides) holds it. Each number of years back is one season, also across New Year.
    """
    found: list[set[int]] = [set() for _ in range(problem.n_days)]
    slack, cover = days_rule("plan.same_season_window"), problem.cover
    for flare in (day for day in dog.flare_visits if day <= today):
        around = problem.start.year - flare.year
        for years in range(max(1, around - 1), around + 3):
            again = (add_months(flare, 12 * years) - problem.start).days
            first = max(again - (cover.ends_at - 1) - slack, 0)
            last = min(again - cover.onset + slack, problem.n_days - 1)
            for day in range(first, last + 1):
                found[day].add(years)
    return tuple(frozenset(years) for years in found)


def through_the_season(season: DogSeason) -> Outcome:
    """Return the fixed rule to compare with: every interval from the dog's season start to end."""
    problem, tail = season.problem, rule("plan.season_tail")
    total = problem.daily_risk.sum()
    if total == 0:
        return replace(no_dose(problem), name="a dose at each interval through the season")
    past = np.cumsum(problem.daily_risk) / total
    first = int(np.argmax(past >= tail)) - problem.cover.onset
    last = int(np.argmax(past >= 1 - tail))
    return every_interval(
        problem,
        season.open_days,
        first=problem.start + timedelta(days=first),
        last=problem.start + timedelta(days=last),
    )


# ------------------------------------------------------------------------------------ risk weeks
def _week_sums(start: date, daily: Floats) -> dict[date, float]:
    sums: dict[date, float] = {}
    for index, value in enumerate(daily):
        week = monday_of(start + timedelta(days=index))
        sums[week] = sums.get(week, 0.0) + float(value)
    return sums


def risk_weeks(problem: DosingProblem) -> list[date]:
    """Return the fewest weeks that hold the table's share of the dog's risk ahead, in order."""
    return heaviest_weeks(problem.start, problem.daily_risk)


def heaviest_weeks(start: date, daily: Floats) -> list[date]:
    """Return the fewest weeks that hold the table's share of a risk by day, in order."""
    weeks = _week_sums(start, daily)
    wanted = rule("plan.risk_week_share") * sum(weeks.values())
    chosen: list[date] = []
    for week in sorted(weeks, key=lambda w: -weeks[w]):
        if sum(weeks[w] for w in chosen) >= wanted:
            break
        chosen.append(week)
    return sorted(chosen)


def uncovered_weeks(problem: DosingProblem, dates: tuple[date, ...]) -> tuple[date, ...]:
    """Return the risk weeks of which less than the table's share is covered."""
    days = _week_sums(problem.start, np.ones(problem.n_days))
    shares = _week_sums(problem.start, covered(problem, dates))
    enough = rule("plan.covered_share")
    return tuple(w for w in risk_weeks(problem) if shares[w] / days[w] < enough)
