"""The later seasons of an invented practice, staffed in several ways: what overflow each met.

In memory, with what each origin lets be seen: a forecast every eight weeks from 1 March 2023 on, a
roster of the eight weeks ahead in each of several ways, and the visits that then came. One model is
learnt at the first origin and told of newer counts at the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd
import xarray as xr

from forecast.cut import Known
from forecast.regions import Branch
from forecast.staffing.inputs import BranchHours, StaffingInputs, StaffMember
from forecast.staffing.last_year import LAST_YEAR, last_years_roster
from forecast.staffing.money import cost_line
from forecast.staffing.overflow import meet
from forecast.staffing.patterns import VisitPatterns, learn_patterns, roles_of
from forecast.staffing.planning import weeks_ahead
from forecast.staffing.roster import Roster
from forecast.staffing.rostering import (
    NOTHING_DONE,
    ON_MEANS,
    OVER_FUTURES,
    mean_load,
    nothing_done,
    plan_roster,
)
from forecast.staffing.week_desk import RosterRules
from forecast.staffing.workload import Workload, load_that_came, workload_of
from forecast.training import TrainedModel, futures, up_to_date
from forecast.visits.case_definition import CaseDefinition
from jobs.demo.in_memory import known_of, placed_visits, train_in_memory
from jobs.demo.invention import InventedPractice, invent_practice
from jobs.demo.run import sample
from jobs.demo.worlds import World

FIRST_ORIGIN = date(2023, 3, 1)
WEEKS = 8
MOST_ORIGINS = 8  # the last, of 27 March 2024, plans to 26 May; observed weather ends in June
WAYS = (OVER_FUTURES, ON_MEANS, LAST_YEAR, NOTHING_DONE)


@dataclass(frozen=True)
class Met:
    """What one way of staffing met over the eight weeks planned at one origin of one seed.

    Attributes
    ----------
    overflow
        Share of branch-weeks in which some role was wanted for longer than it was there [1].
    turned_away
        Visits a week that went elsewhere, over all branches.
    cost
        Of staff, visits lost and visits that waited, a week, in the table's prices.
    """

    seed: int
    origin: date
    way: str
    overflow: float
    turned_away: float
    cost: float


def staff_of(branches: pd.DataFrame) -> tuple[StaffMember, ...]:
    """Return invented staff: enough at the second branch on, one vet alone at the first.

    A vet and two technicians a branch, who also work at the desk; from the second branch on another
    vet for two days. Everybody can be sent to the next branch.
    """
    ids = [str(one) for one in branches["id"]]
    found = []
    for number, branch in enumerate(ids):
        there = (ids[(number + 1) % len(ids)], ids[number - 1])
        found.append(StaffMember(f"{branch} vet", ("vet",), branch, 40.0, there))
        if number:
            found.append(StaffMember(f"{branch} second vet", ("vet",), branch, 16.0, there))
        for n in range(2):
            skills = ("technician", "desk") if n else ("desk", "technician")
            found.append(StaffMember(f"{branch} technician {n}", skills, branch, 40.0, there))
    return tuple(found)


def staffed_seasons(
    world: World, *, seed: int, n_origins: int, draws: int, rules: RosterRules
) -> tuple[Met, ...]:
    """Staff the later seasons of one seed in each of the ways; say what each met at each origin.

    `n_origins` is at most `MOST_ORIGINS`.

    Nothing is written. Forecasts and rosters of an origin see nothing later than it; what came is
    read for the verdict alone, in the same way for all.
    """
    weather, flowering = sample()
    made = invent_practice(weather, flowering, world=world, seed=seed, as_of=FIRST_ORIGIN)
    visits = pd.concat([made.visits, made.visits_to_come], ignore_index=True)
    given = _inputs(made)
    every = _patterns(visits, made, given, today=visits["date"].max().date())
    found: list[Met] = []
    model: TrainedModel | None = None
    for number in range(n_origins):
        origin = FIRST_ORIGIN + timedelta(weeks=WEEKS * number)
        known = known_of(visits, made.branches, weather, flowering, origin=origin)
        model = train_in_memory(known) if model is None else model
        issued = _issued(model, known, seed=seed, draws=draws)
        patterns = _patterns(visits, made, given, today=origin)
        weeks = weeks_ahead(origin, WEEKS)
        load = workload_of(issued, patterns, given, weeks=weeks, seed=[seed, number])
        came = load_that_came(every.seen, load, given, weeks=weeks)
        assert came is not None  # weeks are lost from an export, never all of a branch's
        for roster in _rosters(load, patterns, given, rules):
            met = meet(came, roster, given)
            line = cost_line(roster, met, given)
            over = float(met.over.any("role").mean())
            a_week = line.visits_turned_away / WEEKS, line.total / WEEKS
            found.append(Met(seed, origin, roster.name, over, *a_week))
    return tuple(found)


def _inputs(made: InventedPractice) -> StaffingInputs:
    closed = frozenset(day.date() for day in pd.DatetimeIndex(made.closures["date"]))
    hours = {
        str(row.id): BranchHours(
            Branch(str(row.id), str(row.id), str(row.region), tuple(str(row.open_days).split())),
            closed,
        )
        for row in made.branches.itertuples()
    }
    return StaffingInputs(staff=staff_of(made.branches), hours=hours)


def _patterns(
    visits: pd.DataFrame, made: InventedPractice, given: StaffingInputs, *, today: date
) -> VisitPatterns:
    placed = placed_visits(visits[visits["date"] < pd.Timestamp(today)], made.branches)
    seen = roles_of(placed, flare_free_days=CaseDefinition.shipped().flare_free_days)
    regions = [str(region) for region in made.branches["region"]]
    return learn_patterns(seen, given.hours, regions=regions, today=today)


def _issued(model: TrainedModel, known: Known, *, seed: int, draws: int) -> xr.Dataset:
    past = model.exposure.past(known.weather, model.allergens)
    drawn = futures(
        up_to_date(model, known, past),
        known,
        n_weeks=WEEKS + 2,
        n_draws=draws,
        seed=[seed, known.origin.toordinal()],
        with_dates=False,
    )
    assert drawn.visits is not None
    return xr.Dataset({"visits": drawn.visits.visits, "consultations": drawn.visits.consultations})


def _rosters(
    load: Workload, patterns: VisitPatterns, given: StaffingInputs, rules: RosterRules
) -> Sequence[Roster]:
    last_year = last_years_roster(patterns, load, given, rules=rules)
    assert last_year is not None
    return (
        plan_roster(load, given, rules=rules),
        plan_roster(mean_load(load), given, name=ON_MEANS, rules=rules),
        last_year,
        nothing_done(load, given),
    )
