"""Rosters of the weeks ahead: planned over futures, on mean loads, and as nothing done."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from datetime import date

import numpy as np
import xarray as xr

from forecast.staffing.desk_numbers import table
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.programme import ProgrammeError, solve_week
from forecast.staffing.roster import Roster, RosterSolution, Shift, Unheld
from forecast.staffing.standing import Agreed, nobody_there
from forecast.staffing.week_desk import RosterRules, WeekDesk
from forecast.staffing.week_problem import WeekSolution, contracts_alone
from forecast.staffing.workload import Workload
from models.weeks import monday_of

OVER_FUTURES, ON_MEANS, NOTHING_DONE = (
    "planned over futures",
    "planned on mean loads",
    "nothing done",
)


def plan_roster(
    workload: Workload,
    inputs: StaffingInputs,
    *,
    name: str = OVER_FUTURES,
    rules: RosterRules | None = None,
    held: Agreed | None = None,
) -> Roster:
    """Plan whole shifts for all weeks of a load.

    Parameters
    ----------
    workload
        With one draw, or of `mean_load`, the roster is the mean-value one.
    inputs
        Staff, hours, prices.
    name
        What the roster is called.
    rules
        Gap, time and futures; the table's unless given.
    held
        Agreed weeks that stand as they are; only the others are planned.

    Returns
    -------
    Roster
        A week for which the time allowed gave no roster is staffed by contracts alone, and counted
        in its solution.
    """
    rules = RosterRules.usual() if rules is None else rules
    held = Agreed() if held is None else held
    began = time.monotonic()
    desk = WeekDesk(workload, inputs, rules)
    by_load = np.argsort(-desk.load.mean(axis=2).sum(axis=(0, 2)), kind="stable")
    peaks = by_load[: max(1, round(table().number("roster.peak_share") * len(by_load)))]
    burden: Counter[str] = Counter()
    shifts: list[Shift] = []
    unheld: list[Unheld] = nobody_there(held, inputs)
    solved: list[WeekSolution] = []
    price = desk.visit_price(np.zeros(len(desk.names)), np.zeros(len(desk.names)))
    n_unsolved = 0
    for week in reversed(range(len(by_load))):
        if workload.weeks[week] in held.weeks:
            laid = [s for s in held.shifts if monday_of(s.day) == workload.weeks[week]]
            odds = desk.odds_with(week, laid)
        else:
            left = max(rules.seconds - (time.monotonic() - began), 0.0)
            problem = desk.problem(week, burden, price, is_peak=week in peaks)
            try:
                solution = solve_week(problem, gap=rules.gap, seconds=left / (week + 1))
            except ProgrammeError:  # told as a week for which there was no time
                solution = contracts_alone(problem)
                n_unsolved += 1
            odds = desk.overflow_odds(week, problem, solution)
            laid, missing = desk.laid(week, problem, solution)
            unheld += missing
            solved.append(solution)
        price = desk.visit_price(price, odds)
        shifts += laid
        if week in peaks:
            burden.update(s.person for s in laid if s.person and (s.is_extra or s.is_away))
    weeks = workload.weeks
    return Roster(
        name=name,
        shifts=tuple(sorted(shifts, key=_by_day)),
        staff=inputs.staff,
        weeks=weeks,
        unheld=tuple(sorted(unheld, key=lambda one: one.week)),
        peak_weeks=tuple(sorted(weeks[int(w)] for w in peaks)),
        burden={person.id: burden[person.id] for person in inputs.staff},
        solution=_told(solved, desk, began=began, n_unsolved=n_unsolved) if solved else None,
    )


def _told(
    solved: Sequence[WeekSolution], desk: WeekDesk, *, began: float, n_unsolved: int
) -> RosterSolution:
    """Say how far the weeks' programmes got."""
    cost, bound = (sum(getattr(one, what) for one in solved) for what in ("cost", "bound"))
    return RosterSolution(
        gap=max(cost - bound, 0.0) / max(cost, 1.0),
        asked_gap=desk.rules.gap,
        asked_seconds=desk.rules.seconds,
        seconds=time.monotonic() - began,
        n_weeks=len(solved),
        n_within=sum(one.is_within for one in solved),
        n_scenarios=desk.n_futures,
        n_unsolved=n_unsolved,
    )


def nothing_done(workload: Workload, inputs: StaffingInputs) -> Roster:
    """Return the roster of contracts alone: everybody at home, in their first skill."""
    desk = WeekDesk(workload, inputs, RosterRules.usual())
    shifts: list[Shift] = []
    for week in range(len(workload.weeks)):
        problem = desk.problem(week, Counter(), np.zeros(len(desk.names)))
        none = contracts_alone(problem)
        shifts += desk.laid(week, problem, none)[0]
    return Roster(NOTHING_DONE, tuple(sorted(shifts, key=_by_day)), inputs.staff, workload.weeks)


def mean_load(workload: Workload) -> Workload:
    """Return the load with one draw, the mean of all: what a plan on averages sees."""

    def mean(array: xr.DataArray) -> xr.DataArray:
        return array.mean("draw").expand_dims(draw=[0], axis=1)

    return Workload(
        mean(workload.visits),
        mean(workload.missed),
        workload.minutes_each,
        workload.weekday_share,
        workload.told,
    )


def _by_day(shift: Shift) -> tuple[date, str, str, str]:
    return shift.day, shift.branch, shift.role, shift.person or ""
