"""Ways of dosing one dog that are compared with each other: the exact dates, and simple rules.

Each is judged by the same arithmetic: flares expected while the dog is not covered, and doses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from forecast.dosing.dog_season import DogSeason
from forecast.dosing.schedule import (
    FIRST_ITCH,
    Outcome,
    at_first_itch,
    best_schedule,
    every_interval,
    no_dose,
)
from forecast.dosing.therapies import days_rule, rule
from models.weeks import DAYS_IN_WEEK

WITH_ITCH = "planned dates, and a dose at itch besides"
EVERY_4_WEEKS = "a dose every 4 weeks all year"
EVERY_8_WEEKS = "a dose every 8 weeks all year"
CALENDAR = "a dose on the usual date each year, then at first itch"
THROUGH = "a dose at each interval through the season"
_DAYS_A_YEAR = 366  # 29 February has a place of its own


@dataclass(frozen=True)
class Weighed:
    """The exact dates alone, and with doses at itch besides; starting at the first itch; others.

    A dog with dated doses that itches is seen like any other, so the second is what its plan is
    expected to give, and what competes with starting at the first itch. It is None without dates.
    """

    best: Outcome
    with_itch: Outcome | None
    hold: Outcome
    others: tuple[Outcome, ...]


def weigh(season: DogSeason, flares: Sequence[date]) -> Weighed:
    """Work out what each way of dosing is expected to give a dog with such past flares."""
    best, usual = best_schedule(season.problem), calendar_dose(season, flares)
    planned: dict[str, tuple[date, ...]] = {FIRST_ITCH: ()}
    if best.dates:
        planned[WITH_ITCH] = best.dates
    if usual is not None:
        planned[CALENDAR] = (usual,)
    found = at_first_itch(
        season.problem,
        season.open_days,
        booking_delay=days_rule("plan.booking_delay"),
        scenarios=season.scenarios,
        planned=planned,
    )
    by_name = {one.name: one for one in found}
    by_calendar = [one for one in found if one.name == CALENDAR]
    others = (*simple_rules(season), *by_calendar)
    return Weighed(best, by_name.get(WITH_ITCH), by_name[FIRST_ITCH], others)


def simple_rules(season: DogSeason) -> tuple[Outcome, ...]:
    """Return the rules that need no arithmetic: no dose, all year, through the season."""
    problem = season.problem
    last = problem.start + timedelta(days=problem.n_days - 1)
    steady = [
        every_interval(
            problem,
            season.open_days,
            first=problem.start,
            last=last,
            interval=days_rule(f"plan.{interval}"),
            name=name,
        )
        for interval, name in (("fixed_short", EVERY_4_WEEKS), ("fixed_long", EVERY_8_WEEKS))
    ]
    return (no_dose(problem), *steady, through_the_season(season))


def through_the_season(season: DogSeason) -> Outcome:
    """Return the rule of dosing at every interval from the dog's season start to its end."""
    problem, tail = season.problem, rule("plan.season_tail")
    total = problem.daily_risk.sum()
    if total == 0:
        return replace(no_dose(problem), name=THROUGH)
    past = np.cumsum(problem.daily_risk) / total
    first = int(np.argmax(past >= tail)) - problem.cover.onset
    last = int(np.argmax(past >= 1 - tail))
    return every_interval(
        problem,
        season.open_days,
        first=problem.start + timedelta(days=first),
        last=problem.start + timedelta(days=last),
        name=THROUGH,
    )


def calendar_dose(season: DogSeason, flares: Sequence[date]) -> date | None:
    """Return the open day of the one dose that the calendar alone would give, None if none.

    It lies the table's lead before the middle of the days on which the dog's flares began in past
    years. A year is taken to begin in the middle of the longest stretch of it without flares.
    """
    if not flares:
        return None
    places = np.array([_place(day) for day in flares])
    around = np.sort(np.unique(places))
    gaps = np.diff(np.append(around, around[0] + _DAYS_A_YEAR))
    widest = int(gaps.argmax())
    turn = (around[widest] + gaps[widest] // 2) % _DAYS_A_YEAR
    since_turn = (places - turn) % _DAYS_A_YEAR
    season_year = np.array([day.year for day in flares]) - (places < turn)
    firsts = [since_turn[season_year == year].min() for year in np.unique(season_year)]
    usual = (turn + int(np.median(firsts)) - days_rule("plan.calendar_lead")) % _DAYS_A_YEAR
    return _open_day_from(season, usual)


def _open_day_from(season: DogSeason, usual: int) -> date | None:
    problem = season.problem
    ahead = (usual - _place(problem.start)) % _DAYS_A_YEAR
    free = problem.minimum_interval - problem.first_state
    open_days = np.flatnonzero(season.open_days)
    due = open_days[open_days >= max(ahead, free)]
    if not due.size or due[0] - ahead > DAYS_IN_WEEK + max(free - ahead, 0):
        return None
    return problem.dates_of(due[:1])[0]


def _place(day: date) -> int:
    """Return a day's place in a leap year, from 0."""
    return day.replace(year=2000).timetuple().tm_yday - 1


def cost_of_a_week(season: DogSeason, best: Outcome) -> float | None:
    """Return what the first dose a week later than best would cost, in the unit of the price.

    The other doses are chosen anew. None where there is no dose.
    """
    if not best.dates:
        return None
    problem = season.problem
    first = (best.dates[0] - problem.start).days
    may_dose = problem.may_dose.copy()
    may_dose[: first + DAYS_IN_WEEK] = False
    later = best_schedule(replace(problem, may_dose=may_dose))
    return later.total - best.total
