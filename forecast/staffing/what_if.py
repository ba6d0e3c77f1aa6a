"""What if: other hours, one more person, a branch closed for some weeks, visits moved forward.

Each change makes another load or other inputs, the roster is planned anew, and both are met by the
same draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import xarray as xr

from forecast.staffing.desk_numbers import DOSE, KINDS, OTHER, StaffingError
from forecast.staffing.inputs import BranchHours, StaffingInputs, StaffMember
from forecast.staffing.money import cost_line, total_by_draw
from forecast.staffing.overflow import meet
from forecast.staffing.planning import StaffingPlan
from forecast.staffing.rostering import plan_roster
from forecast.staffing.week_desk import RosterRules
from forecast.staffing.workload import Workload
from models.weeks import DAYS_IN_WEEK

_MOVABLE = (DOSE, OTHER)


@dataclass(frozen=True)
class OtherHours:
    """Open `hours_more` longer on each open day (below zero: shorter), or on more `days`.

    Who works at home there stays as much longer, which is paid as overtime; shorter hours save no
    wages.
    """

    branch: str
    hours_more: float = 0.0
    days: frozenset[date] = frozenset()


@dataclass(frozen=True)
class OneMore:
    """Somebody more on the staff."""

    person: StaffMember


@dataclass(frozen=True)
class BranchClosed:
    """A branch closed from `first` to `last`; its visits are offered to `instead`, if any."""

    branch: str
    first: date
    last: date
    instead: str | None = None


@dataclass(frozen=True)
class Campaign:
    """Bring forward a share of what can be moved from the peak weeks, by some weeks.

    Moved are other consultations and planned doses. Flares are not: they come when they come, and
    their rechecks with them. What would come before the first week is not moved.
    """

    share: float
    weeks_earlier: int
    branch: str | None = None


Change = OtherHours | OneMore | BranchClosed | Campaign


@dataclass(frozen=True)
class WhatIf:
    """What a change would do, on the same draws, with rosters planned anew for both.

    Each pair is without and with the change: expected cost in `currency` ("" where the practice
    names none), visits turned away, and branch-weeks that overflow; `cheaper_odds` is the
    probability that the change costs less.
    """

    change: Change
    sentence: str
    cost: tuple[float, float]
    turned_away: tuple[float, float]
    overflow_weeks: tuple[float, float]
    cheaper_odds: float
    currency: str = ""


def try_change(
    plan: StaffingPlan,
    inputs: StaffingInputs,
    change: Change,
    *,
    rules: RosterRules | None = None,
) -> WhatIf:
    """Say what a change would do.

    Parameters
    ----------
    plan
        Without the change.
    inputs
        Those of the plan.
    change
        What is to be tried.
    rules
        How to look for the other roster; the table's unless given.

    Raises
    ------
    StaffingError
        If the change names a branch that is not planned, or a share, days or hours that are none.
    """
    load, given, added = changed(plan, inputs, change)
    roster = plan_roster(load, given, rules=rules)
    met = meet(load, roster, given)
    before = cost_line(plan.roster, plan.overflow, inputs)
    after = cost_line(roster, met, given)
    usual = total_by_draw(plan.roster, plan.overflow, inputs)
    other = total_by_draw(roster, met, given) + added
    return WhatIf(
        change=change,
        sentence=_sentence(change, inputs),
        cost=(before.total, after.total + added),
        turned_away=(before.visits_turned_away, after.visits_turned_away),
        overflow_weeks=(before.overflow_weeks, after.overflow_weeks),
        cheaper_odds=float((other < usual).mean()),
        currency=inputs.prices.currency,
    )


def changed(
    plan: StaffingPlan, inputs: StaffingInputs, change: Change
) -> tuple[Workload, StaffingInputs, float]:
    """Return the load and the inputs with a change, and what it costs beside the roster."""
    match change:
        case OneMore():
            return plan.workload, replace(inputs, staff=(*inputs.staff, change.person)), 0.0
        case OtherHours():
            return _other_hours(plan, inputs, change)
        case BranchClosed():
            return _closed(plan, inputs, change)
        case Campaign():
            return _campaign(plan, change), inputs, 0.0


def _hours_of(inputs: StaffingInputs, branch: str) -> BranchHours:
    if branch not in inputs.hours:
        raise StaffingError(
            f"a change at the branch {branch!r} was asked, which is not planned; planned are "
            f"{', '.join(inputs.hours)}"
        )
    return inputs.hours[branch]


def _with_hours(inputs: StaffingInputs, branch: str, hours: BranchHours) -> StaffingInputs:
    every: Mapping[str, BranchHours] = {**inputs.hours, branch: hours}
    return replace(inputs, hours=every)


def _other_hours(
    plan: StaffingPlan, inputs: StaffingInputs, change: OtherHours
) -> tuple[Workload, StaffingInputs, float]:
    hours = _hours_of(inputs, change.branch)
    more = change.hours_more
    new = replace(
        hours,
        hours_more=hours.hours_more + more,
        opens_too=hours.opens_too | change.days,
        closed=hours.closed - change.days,
    )
    given = _with_hours(inputs, change.branch, new)
    load = _with_new_days(plan.workload, new, change.branch)
    if more <= 0.0:
        return load, given, 0.0
    staff, added = [], 0.0
    for one in inputs.staff:
        if one.home_branch != change.branch:
            staff.append(one)
            continue
        shift = one.hours_of_shift + more
        contract = one.contract_hours + one.contract_shifts * more
        staff.append(replace(one, shift_hours=shift, contract_hours=contract))
        a_week = one.contract_shifts * more
        dearer = inputs.prices.overtime_hour[one.skills[0]] - inputs.prices.wage_hour[one.skills[0]]
        added += dearer * a_week * plan.n_weeks
    return load, replace(given, staff=tuple(staff)), added


def _with_new_days(load: Workload, hours: BranchHours, branch: str) -> Workload:
    """Give days of the week on which nobody was seen yet the share of a mean open day."""
    share = load.weekday_share.copy(deep=True)
    own = share.sel(branch=branch).values.copy()
    for weekday in {day.weekday() for day in hours.opens_too}:
        if own[weekday] <= 0.0:
            own[weekday] = own[own > 0].mean()
    share.loc[{"branch": branch}] = own / own.sum()
    return replace(load, weekday_share=share)


def _closed(
    plan: StaffingPlan, inputs: StaffingInputs, change: BranchClosed
) -> tuple[Workload, StaffingInputs, float]:
    hours = _hours_of(inputs, change.branch)
    n_days = (change.last - change.first).days + 1
    if n_days < 1:
        raise StaffingError(
            f"a branch closed from {change.first} to {change.last} was asked; the first day must "
            "not be after the last"
        )
    days = frozenset(change.first + timedelta(days=n) for n in range(n_days))
    given = _with_hours(inputs, change.branch, replace(hours, closed=hours.closed | days))
    load = plan.workload
    if change.instead is None:
        return load, given, 0.0  # what comes finds no capacity: it waits, or goes elsewhere
    _hours_of(inputs, change.instead)
    gone = np.zeros(len(load.weeks))
    own = load.weekday_share.sel(branch=change.branch).values
    for w, week in enumerate(load.weeks):
        open_days = [week + timedelta(days=n) for n in range(DAYS_IN_WEEK)]
        open_days = [day for day in open_days if hours.is_open(day)]
        total = sum(own[day.weekday()] for day in open_days)
        lost = sum(own[day.weekday()] for day in open_days if day in days)
        gone[w] = lost / total if total > 0 else 0.0
    return _moved(load, change.branch, change.instead, gone), given, 0.0


def _moved(load: Workload, here: str, there: str, share: np.ndarray) -> Workload:
    def move(array: xr.DataArray) -> xr.DataArray:
        new = array.copy(deep=True)
        taken = array.sel(branch=here) * xr.DataArray(share, dims="week")
        new.loc[{"branch": here}] = (array.sel(branch=here) - taken).values
        new.loc[{"branch": there}] = (array.sel(branch=there) + taken).values
        return new

    return replace(load, visits=move(load.visits), missed=move(load.missed))


def _campaign(plan: StaffingPlan, change: Campaign) -> Workload:
    if not 0.0 <= change.share <= 1.0 or change.weeks_earlier < 1:
        raise StaffingError(
            f"a campaign that moves {100 * change.share:g} % of visits by {change.weeks_earlier} "
            "weeks was asked; allowed are 0 to 100 % and one week or more"
        )
    load, peaks = plan.workload, set(plan.roster.peak_weeks)
    names = list(load.branches) if change.branch is None else [change.branch]
    unknown = [name for name in names if name not in load.branches]
    if unknown:
        raise StaffingError(
            f"a campaign at the branch {unknown[0]!r} was asked, which is not planned; planned are "
            f"{', '.join(load.branches)}"
        )
    at_branch = np.isin(load.branches, names)
    at_kind = np.isin(KINDS, _MOVABLE)
    chosen = at_kind[:, None, None] & at_branch[None, None, :]

    def move(array: xr.DataArray) -> xr.DataArray:
        values = array.transpose("kind", "draw", "branch", "week").values
        new = values.copy()
        for w, week in enumerate(load.weeks):
            earlier = w - change.weeks_earlier
            if week in peaks and earlier >= 0:
                taken = np.where(chosen, change.share * values[..., w], 0.0)
                new[..., w] -= taken
                new[..., earlier] += taken
        return array.transpose("kind", "draw", "branch", "week").copy(data=new)

    return replace(load, visits=move(load.visits), missed=move(load.missed))


def _sentence(change: Change, inputs: StaffingInputs) -> str:
    def name(branch: str) -> str:
        return inputs.hours[branch].branch.name if branch in inputs.hours else branch

    match change:
        case OneMore():
            one = change.person
            where = name(one.home_branch)
            return f"one more {one.skills[0]} at {where}, {one.contract_hours:g} h a week"
        case OtherHours():
            parts = []
            if change.hours_more:
                word = "longer" if change.hours_more > 0 else "shorter"
                parts.append(f"open {abs(change.hours_more):g} h {word} each day")
            if change.days:
                parts.append(f"open on {len(change.days)} more days")
            return f"{name(change.branch)}: {' and '.join(parts) or 'the same hours'}"
        case BranchClosed():
            where = (
                f"its visits offered to {name(change.instead)}"
                if change.instead
                else "no other offered"
            )
            return f"{name(change.branch)} closed from {change.first} to {change.last}, {where}"
        case Campaign():
            where = "all branches" if change.branch is None else name(change.branch)
            return (
                f"{100 * change.share:g} % of other consultations and planned doses of the peak "
                f"weeks brought forward by {change.weeks_earlier} weeks, {where}"
            )
