"""What to order by which date, so that it does not run out in more futures than allowed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class StockOrder:
    """One order of one item for one branch.

    Attributes
    ----------
    order_by
        Last day on which to order; today where that has passed (`is_late`).
    arrives
        When it then comes.
    packs, units
        Whole packs, and what they hold.
    price
        None where no price is known.
    runs_out_odds
        Probability that the item would run out before the next order could help, without this one.
    is_late
        It comes after the odds of running out pass what is allowed.
    """

    item: str
    branch: str
    order_by: date
    arrives: date
    packs: int
    units: float
    price: float | None
    runs_out_odds: float
    is_late: bool


@dataclass(frozen=True)
class StockOutlook:
    """One item at one branch over the weeks ahead.

    `used` are expected units for 10, 50 and 90 % of the draws, `expired` expected units thrown
    away with the orders given, `service` the share of futures in which it must not run out, and
    `runs_out_odds` the probability that it does in any week, with the orders given.
    """

    item: str
    branch: str
    on_hand: float
    used: tuple[float, float, float]
    expired: float
    service: float
    runs_out_odds: float
    orders: tuple[StockOrder, ...]
