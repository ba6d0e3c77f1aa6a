"""Shifts that calendars have told and that no longer stand, so that later files cancel them.

A calendar that somebody took along keeps what it was told until the same UID is told as cancelled.
So each kept plan carries on what was told before it and does not stand with it. What stands changes
at two moments only, when a plan is kept and when one is agreed, and both are seen from the records.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date

from forecast.staffing.roster import Shift
from models.weeks import monday_of


@dataclass(frozen=True)
class ToldShift:
    """A shift as calendars tell it; `number` tells locums alike apart, from 1, and is 0 of staff.

    The same day, branch, role and person (or number) is the same entry in every calendar.
    """

    shift: Shift
    number: int = 0

    @property
    def key(self) -> tuple[date, str, str, str | int]:
        """What makes it the same entry."""
        one = self.shift
        return one.day, one.branch, one.role, one.person or self.number


def as_told(shifts: Iterable[Shift]) -> list[ToldShift]:
    """Return shifts as calendars tell them."""
    locums = Counter[tuple[date, str, str]]()
    found = []
    for shift in shifts:
        which = (shift.day, shift.branch, shift.role)
        locums[which] += shift.person is None
        found.append(ToldShift(shift, locums[which] if shift.person is None else 0))
    return found


def no_longer(
    told: Iterable[ToldShift], stands: Iterable[Shift], *, today: date
) -> tuple[ToldShift, ...]:
    """Return what was told, does not stand, and is not over, each entry once."""
    now = {one.key for one in as_told(stands)}
    gone = {one.key: one for one in told if one.key not in now and one.shift.day >= today}
    return tuple(gone[key] for key in sorted(gone, key=str))


def cancelled(gone: Iterable[ToldShift], weeks: Collection[date]) -> tuple[ToldShift, ...]:
    """Return those in weeks of which a roster tells; of others nobody said that they end."""
    return tuple(one for one in gone if monday_of(one.shift.day) in weeks)
