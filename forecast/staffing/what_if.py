"""What if: other hours, one more person, a branch closed for some weeks, visits moved forward."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from forecast.staffing.inputs import StaffMember


@dataclass(frozen=True)
class OtherHours:
    """Open `hours_more` longer on each open day (below zero: shorter), or on more `days`."""

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
    """Bring a share of the visits that can be moved forward from peak weeks to `weeks_earlier`.

    Moved are rechecks' and other consultations, not flares: a flare comes when it comes.
    """

    share: float
    weeks_earlier: int
    branch: str | None = None


Change = OtherHours | OneMore | BranchClosed | Campaign


@dataclass(frozen=True)
class WhatIf:
    """What a change would do, on the same draws, with rosters planned anew for both.

    Each pair is without and with the change: expected cost, visits turned away, and branch-weeks
    that overflow; `cheaper_odds` is the probability that the change costs less.
    """

    change: Change
    sentence: str
    cost: tuple[float, float]
    turned_away: tuple[float, float]
    overflow_weeks: tuple[float, float]
    cheaper_odds: float
