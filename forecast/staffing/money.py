"""What a roster costs: wages, overtime, locums, ways, and visits lost or kept waiting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.overflow import Overflow
from forecast.staffing.roster import Roster, paid_hours, terms_on

_MINUTES = 60.0


@dataclass(frozen=True)
class CostLine:
    """One roster's cost over the weeks ahead, in the practice's currency.

    Parts are expected values; `low` and `high` are the total for 10 and 90 % of the draws.
    """

    roster: str
    wages: float
    extra_shifts: float
    locums: float
    away: float
    overtime: float
    turned_away: float
    waiting: float
    total: float
    low: float
    high: float
    visits_turned_away: float
    overflow_weeks: float


@dataclass(frozen=True)
class CostDifference:
    """A roster's cost less another's on the same draws; `cheaper_odds` that it is the cheaper."""

    roster: str
    beside: str
    mean: float
    low: float
    high: float
    cheaper_odds: float


@dataclass(frozen=True)
class CostComparison:
    """Rosters beside each other, the plan first."""

    currency: str
    lines: tuple[CostLine, ...]
    differences: tuple[CostDifference, ...]
    prices_from_table: tuple[str, ...]


def compare(rosters: Sequence[tuple[Roster, Overflow]], inputs: StaffingInputs) -> CostComparison:
    """Set rosters beside the first one, each with what it made of the same draws."""
    lines = tuple(cost_line(roster, met, inputs) for roster, met in rosters)
    totals = [total_by_draw(roster, met, inputs) for roster, met in rosters]
    differences = []
    for (roster, _), total in list(zip(rosters, totals, strict=True))[1:]:
        less = totals[0] - total
        low, high = np.quantile(less, [0.1, 0.9])
        differences.append(
            CostDifference(
                rosters[0][0].name,
                roster.name,
                float(less.mean()),
                float(low),
                float(high),
                float((less < 0).mean()),
            )
        )
    prices = inputs.prices
    return CostComparison(prices.currency, lines, tuple(differences), prices.from_table)


def cost_line(roster: Roster, met: Overflow, inputs: StaffingInputs) -> CostLine:
    """Return what a roster costs, part by part."""
    fixed, varying = _fixed(roster, inputs), _varying(met, inputs)
    total = sum(fixed.values()) + np.sum(list(varying.values()), axis=0)
    low, high = np.quantile(total, [0.1, 0.9])
    return CostLine(
        roster=roster.name,
        **fixed,
        **{name: float(values.mean()) for name, values in varying.items()},
        total=float(total.mean()),
        low=float(low),
        high=float(high),
        visits_turned_away=float(met.turned_away.sum(("kind", "branch", "week")).mean()),
        overflow_weeks=float(met.over.any("role").sum(("branch", "week")).mean()),
    )


def total_by_draw(roster: Roster, met: Overflow, inputs: StaffingInputs) -> NDArray[np.float64]:
    """Return a roster's cost in each draw, shape ``(draw,)``."""
    varying = np.sum(list(_varying(met, inputs).values()), axis=0)
    return np.asarray(sum(_fixed(roster, inputs).values()) + varying)


def _fixed(roster: Roster, inputs: StaffingInputs) -> dict[str, float]:
    """Return what is paid whatever comes."""
    prices, extra = inputs.prices, 0.0
    for shift in roster.shifts:
        if shift.is_extra and shift.person is not None:
            person = terms_on(roster.staff, shift.person, shift.day)
            role = shift.role if person is None else person.skills[0]
            extra += prices.overtime_hour[role] * shift.hours
    wages = sum(
        prices.wage_hour[person.skills[0]] * paid_hours(person, roster.weeks)
        for person in roster.staff
    )
    return {
        "wages": float(wages),
        "extra_shifts": extra,
        "locums": float(
            sum(prices.locum_hour[s.role] * s.hours for s in roster.shifts if s.person is None)
        ),
        "away": float(sum(prices.away_shift for s in roster.shifts if s.is_away)),
    }


def _varying(met: Overflow, inputs: StaffingInputs) -> dict[str, NDArray[np.float64]]:
    """Return what depends on what comes, each shape ``(draw,)``."""
    prices, apart = inputs.prices, ("branch", "week")
    overtime = met.overtime.sum(apart)
    gone = met.turned_away.sum(apart)
    return {
        "overtime": np.asarray(
            sum(prices.overtime_hour[r] / _MINUTES * overtime.sel(role=r).values for r in ROLES)
        ),
        "turned_away": np.asarray(
            sum(prices.turned_away[str(k)] * gone.sel(kind=k).values for k in gone["kind"].values)
        ),
        "waiting": prices.waiting_week * met.waiting.sum(("kind", *apart)).values,
    }
