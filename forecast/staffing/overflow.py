"""The load against a capacity: odds of overflow, visits turned away, what waits for next week."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from forecast.staffing.desk_numbers import FROM_TABLE, ROLES, Prices, table
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.patterns import Told
from forecast.staffing.roster import Roster, overtime_a_shift, terms_on
from forecast.staffing.workload import Workload
from models.backlog import carry_over
from models.newsvendor import critical_ratio
from models.weeks import monday_of

Array = NDArray[np.float64]
_MINUTES = 60.0


@dataclass(frozen=True)
class Overflow:
    """A capacity met by every draw, week by week, with what is left over carried on.

    Attributes
    ----------
    need
        Dims ``(role, draw, branch, week)``: minutes wanted, those of waiting visits included.
    capacity
        Dims ``(role, branch, week)``: bookable minutes of the roster, without overtime.
    over
        Dims of `need`: whether a role is short. Its capacity and overtime do not hold the week's
        own visits; or not those that wait as well, and it is for this role that they wait. Where
        visits wait for a vet, a technician who would have time for each week's own is not short.
    overtime
        Dims of `need`: minutes of overtime used.
    came, seen, turned_away, waiting
        Dims ``(kind, draw, branch, week)`` [visits]; `waiting` at the end of the week. In each
        week what came and waited before is seen, turned away, or waits.
    """

    need: xr.DataArray
    capacity: xr.DataArray
    over: xr.DataArray
    overtime: xr.DataArray
    came: xr.DataArray
    seen: xr.DataArray
    turned_away: xr.DataArray
    waiting: xr.DataArray


@dataclass(frozen=True)
class LoadWeek:
    """One role's load at one branch in one week, in hours, beside what is rostered.

    Attributes
    ----------
    low, middle, high
        Load of the week's own visits for 10, 50 and 90 % of the draws [h of work].
    capacity
        Bookable hours of the roster.
    overflow_odds
        Probability that the role is short, overtime included: of time for the week's own visits,
        or of time for those that wait for it.
    hours_to_hold
        Bookable hours that hold the load at the service level asked, or where none was asked at
        the level of least expected cost.
    service
        That level [1].
    """

    branch: str
    week: date
    role: str
    low: float
    middle: float
    high: float
    capacity: float
    overflow_odds: float
    hours_to_hold: float
    service: float


@dataclass(frozen=True)
class WaitingWeek:
    """What becomes of a branch's visits in one week.

    `overflow_odds` that any role overflows; `came`, `turned_away` and `waiting` are expected
    visits, `waiting_high` those for 90 % of the draws at the end of the week.
    """

    branch: str
    week: date
    came: float
    turned_away: float
    waiting: float
    waiting_high: float
    overflow_odds: float


def capacity_of(
    roster: Roster, workload: Workload, inputs: StaffingInputs
) -> tuple[xr.DataArray, xr.DataArray]:
    """Return the bookable minutes of a roster, and the overtime it can add.

    Dims ``(role, branch, week)`` [min]. Nobody is booked while the branch is closed, however long
    the shift; one at a branch or in a week that is not planned counts nowhere. Overtime is what the
    rostered people take on, spread evenly over their shifts.
    """
    names, weeks = list(workload.branches), list(workload.weeks)
    bookable = table().number("overflow.bookable")
    held = np.zeros((2, len(ROLES), len(names), len(weeks)))
    at_branch = {name: n for n, name in enumerate(names)}
    at_week = {week: n for n, week in enumerate(weeks)}
    for shift in roster.shifts:
        branch, week = at_branch.get(shift.branch), at_week.get(monday_of(shift.day))
        if branch is None or week is None:
            continue
        role = ROLES.index(shift.role)
        open_for = inputs.hours[shift.branch].hours_on(shift.day)
        held[0, role, branch, week] += _MINUTES * bookable * min(shift.hours, open_for)
        if shift.person is not None:
            person = terms_on(roster.staff, shift.person, shift.day)
            longer = 0.0 if person is None else overtime_a_shift(person)
            held[1, role, branch, week] += _MINUTES * longer
    coords = {"role": list(ROLES), "branch": names, "week": workload.visits["week"].values}
    dims = ("role", "branch", "week")
    return xr.DataArray(held[0], coords, dims), xr.DataArray(held[1], coords, dims)


def meet(workload: Workload, roster: Roster, inputs: StaffingInputs) -> Overflow:
    """Let every draw of the load meet a roster, week by week, what is left over carried on."""
    capacity, overtime = capacity_of(roster, workload, inputs)
    return meet_capacity(workload, capacity, overtime=overtime)


def meet_capacity(
    workload: Workload, capacity: xr.DataArray, *, overtime: xr.DataArray
) -> Overflow:
    """Let every draw of the load meet a capacity, dims ``(role, branch, week)`` [min]."""
    came = workload.bookable
    order = ("role", "branch", "week")
    each = workload.minutes_each.sel(kind=came["kind"]).transpose("kind", "role", "branch")
    first = workload.first
    held = capacity.transpose(*order).values[:, None]
    more = overtime.transpose(*order).values[:, None]
    found = carry_over(
        came.values,
        each.values[:, :, None, :],
        held,
        overtime=more,
        first=first.values,
        leaving=table().number("overflow.turned_away"),
    )
    by_role = ("role", "draw", "branch", "week")

    def roles(values: NDArray[Any]) -> xr.DataArray:
        return first.copy(data=values).transpose(*by_role)

    def visits(values: NDArray[Any]) -> xr.DataArray:
        return came.copy(data=values)

    return Overflow(
        need=roles(found.need),
        capacity=capacity,
        over=roles(_short(found.need, workload.minutes.values, first.values, held + more)),
        overtime=roles(found.overtime),
        came=came,
        seen=visits(found.seen),
        turned_away=visits(found.turned_away),
        waiting=visits(found.waiting),
    )


def _short(need: Array, own: Array, first: Array, held: Array) -> NDArray[np.bool_]:
    """Return which role is short, see `Overflow.over`; all shape ``(role, draw, branch, week)``."""
    room = np.maximum(held - first, 0.0)
    wanted = need - first
    share = np.where(wanted > 0.0, room / np.where(wanted > 0.0, wanted, 1.0), np.inf)
    is_scarcest = share <= share.min(axis=0) + 1e-9
    return np.asarray((own > held + 1e-6) | (is_scarcest & (need > held + 1e-6)))


def visit_price(workload: Workload, prices: Prices) -> float:
    """Return what a visit without room costs: lost with those that leave, waited by the others.

    Of the mix of kinds that is expected; in the practice's currency.
    """
    leaving = table().number("overflow.turned_away")
    came = workload.bookable.mean(("draw", "branch", "week"))
    lost = sum(
        prices.turned_away[str(kind)] * float(came.sel(kind=kind)) for kind in came["kind"].values
    )
    return leaving * lost / max(float(came.sum()), 1e-12) + (1.0 - leaving) * prices.waiting_week


def service_levels(
    workload: Workload, prices: Prices, *, service: float | None
) -> dict[str, float]:
    """Return by role the share of futures in which its hours should hold the load.

    The one asked for, or the level of least expected cost: an hour too few costs the visits that
    it would have held, an hour too many what an idle hour costs.
    """
    if service is not None:
        return dict.fromkeys(ROLES, service)
    visits = float(workload.bookable.sum("kind").mean())
    price = visit_price(workload, prices)
    found = {}
    for role in ROLES:
        minutes = float(workload.minutes.sel(role=role).mean()) / max(visits, 1e-12)
        an_hour = _MINUTES / max(minutes, 1e-12) * price
        found[role] = critical_ratio(
            shortage_cost=max(an_hour, 1e-9), surplus_cost=max(prices.idle_hour[role], 1e-9)
        )
    return found


def load_weeks(
    workload: Workload, overflow: Overflow, inputs: StaffingInputs, *, service: float | None
) -> tuple[LoadWeek, ...]:
    """Return each branch's, week's and role's load beside what is rostered."""
    levels = service_levels(workload, inputs.prices, service=service)
    hours = (workload.minutes / _MINUTES).transpose("role", "branch", "week", "draw").values
    low, middle, high = np.quantile(hours, [0.1, 0.5, 0.9], axis=-1)
    odds = overflow.over.mean("draw").values
    capacity = overflow.capacity.values / _MINUTES
    found = []
    for b, branch in enumerate(workload.branches):
        for w, week in enumerate(workload.weeks):
            for r, role in enumerate(ROLES):
                held = np.quantile(hours[r, b, w], levels[role], method="inverted_cdf")
                found.append(
                    LoadWeek(
                        branch,
                        week,
                        role,
                        float(low[r, b, w]),
                        float(middle[r, b, w]),
                        float(high[r, b, w]),
                        float(capacity[r, b, w]),
                        float(odds[r, b, w]),
                        float(held),
                        levels[role],
                    )
                )
    return tuple(found)


def waiting_weeks(overflow: Overflow) -> tuple[WaitingWeek, ...]:
    """Return what becomes of each branch's visits, week by week."""
    came, gone, waits = (
        array.sum("kind").transpose("branch", "week", "draw").values
        for array in (overflow.came, overflow.turned_away, overflow.waiting)
    )
    odds = overflow.over.any("role").mean("draw").transpose("branch", "week").values
    weeks = overflow.came["week"].to_index()
    return tuple(
        WaitingWeek(
            str(branch),
            week.date(),
            float(came[b, w].mean()),
            float(gone[b, w].mean()),
            float(waits[b, w].mean()),
            float(np.quantile(waits[b, w], 0.9)),
            float(odds[b, w]),
        )
        for b, branch in enumerate(overflow.came["branch"].values)
        for w, week in enumerate(weeks)
    )


def service_told(levels: dict[str, float], *, service: float | None) -> Told:
    """Say by what the hours to hold open were chosen."""
    if service is not None:
        return Told("hours to hold open", f"enough in {100 * service:.0f} % of the futures", "desk")
    each = ", ".join(f"{role} {100 * level:.0f} %" for role, level in levels.items())
    return Told(
        "hours to hold open",
        f"enough in ({each}) of the futures",
        FROM_TABLE,
        "where one hour more costs as much as it saves, by the prices below",
    )
