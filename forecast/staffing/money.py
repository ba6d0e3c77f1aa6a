"""What a roster costs: wages, overtime, locums, ways, and visits lost or kept waiting."""

from __future__ import annotations

from dataclasses import dataclass


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
