"""The load against a capacity: odds of overflow, visits turned away, what waits for next week."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import xarray as xr


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
        Dims of `need`: whether more was wanted than capacity and overtime hold.
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
        Probability that more is wanted, waiting visits included, than roster and overtime hold.
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
