"""What the desk says: who works when and where, when branches open, stock, minutes and prices.

Nothing here is read from records or files; who reads them makes these values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, time, timedelta

from forecast.regions import DAY_NAMES, Branch
from forecast.staffing.desk_numbers import (
    ROLES,
    Minutes,
    Prices,
    StaffingError,
    default_minutes,
    default_prices,
    table,
)
from models.weeks import DAYS_IN_WEEK


@dataclass(frozen=True)
class StaffMember:
    """Somebody who can be rostered.

    Attributes
    ----------
    id
        Random id; no name. Who has other terms from a day on stands here once for each, with the
        same id and other days.
    skills
        Of `ROLES`, one or more; on a shift somebody works in one of them.
    home_branch
        Where they work unless rostered elsewhere.
    contract_hours
        Hours a week, paid in any case.
    other_branches
        Where else they can be sent.
    overtime_hours
        Hours a week over the contract that they take on at most; None: the table's.
    shift_hours
        Length of one of their shifts; None: the table's.
    leave
        First and last day of each absence, both included.
    working_days
        Days of the week on which they work, Monday 0; None: all.
    first_day, last_day
        Of the contract; None: no such end within sight.
    """

    id: str
    skills: tuple[str, ...]
    home_branch: str
    contract_hours: float
    other_branches: tuple[str, ...] = ()
    overtime_hours: float | None = None
    shift_hours: float | None = None
    leave: tuple[tuple[date, date], ...] = ()
    working_days: tuple[int, ...] | None = None
    first_day: date | None = None
    last_day: date | None = None

    @property
    def branches(self) -> tuple[str, ...]:
        """Where they may work, home first."""
        return tuple(dict.fromkeys((self.home_branch, *self.other_branches)))

    @property
    def hours_of_shift(self) -> float:
        """Length of a shift [h]."""
        return self.shift_hours or table().number("shift.hours")

    @property
    def most_overtime(self) -> float:
        """Hours a week over the contract at most."""
        told = self.overtime_hours
        return table().number("shift.overtime_hours") if told is None else told

    @property
    def contract_shifts(self) -> int:
        """Whole shifts a week that the contract holds."""
        return int(self.contract_hours / self.hours_of_shift + 1e-9)

    def is_employed_on(self, day: date) -> bool:
        """Say whether the contract holds on a day."""
        begun = self.first_day is None or day >= self.first_day
        return begun and (self.last_day is None or day <= self.last_day)

    def works_on(self, day: date) -> bool:
        """Say whether they can be rostered on a day."""
        if not self.is_employed_on(day):
            return False
        if self.working_days is not None and day.weekday() not in self.working_days:
            return False
        return not any(first <= day <= last for first, last in self.leave)


@dataclass(frozen=True)
class BranchHours:
    """When a branch opens in the weeks ahead.

    Attributes
    ----------
    branch
        With its opening days and, where known, hours.
    later
        How it opens from days ahead on, in their order.
    closed
        Days out of turn: public holidays, closures.
    opens_too
        Days on which it opens though it does not by the week.
    hours_more
        Hours added to each open day (may be below zero); for what-if.
    """

    branch: Branch
    closed: frozenset[date] = frozenset()
    opens_too: frozenset[date] = frozenset()
    hours_more: float = 0.0
    later: tuple[tuple[date, Branch], ...] = ()

    def on(self, day: date) -> Branch:
        """Return the branch with the opening that is in force on a day."""
        return next(
            (as_then for first, as_then in reversed(self.later) if day >= first), self.branch
        )

    def is_open(self, day: date) -> bool:
        """Say whether the branch opens on a day."""
        return day not in self.closed and (self.on(day).is_open(day) or day in self.opens_too)

    def open_days(self, week: date) -> list[date]:
        """Return the days of the week, named by its Monday, on which it opens."""
        days = (week + timedelta(days=n) for n in range(DAYS_IN_WEEK))
        return [day for day in days if self.is_open(day)]

    def hours_on(self, day: date) -> float:
        """Return for how long it opens on a day [h]; the table's where no hours are said."""
        if not self.is_open(day):
            return 0.0
        spans = [s for s in self.on(day).hours if date_name(day) == s.day]
        if not spans:
            return max(table().number("opening.hours_a_day") + self.hours_more, 0.0)
        told = sum(_hours(span.closes) - _hours(span.opens) for span in spans)
        return max(told + self.hours_more, 0.0)


def date_name(day: date) -> str:
    """Return the day of the week as opening hours name it."""
    return DAY_NAMES[day.weekday()]


def _hours(moment: time) -> float:
    return moment.hour + moment.minute / 60.0


@dataclass(frozen=True)
class StockLot:
    """Units on hand that expire together; None: not known when."""

    units: float
    expires: date | None = None


@dataclass(frozen=True)
class StockItem:
    """Something used up by visits, at one branch.

    Attributes
    ----------
    id
        Such as ``long-acting injection``; also what the desk reads.
    branch
        Where it is kept.
    use
        Units that a visit of a kind takes on average.
    lots
        What was counted.
    lead_days
        From ordering to having.
    pack_size
        Units in a pack; only whole packs come.
    shelf_days
        For how long what comes new will keep; None: longer than the weeks ahead.
    pack_price
        None where not known.
    service
        Share of futures in which it must not run out; None: the plan's.
    counted
        When `lots` were counted; None: now.
    used_since
        Units that are on record as used after that day.
    """

    id: str
    branch: str
    use: Mapping[str, float]
    lots: tuple[StockLot, ...]
    lead_days: float
    pack_size: float
    shelf_days: int | None = None
    pack_price: float | None = None
    service: float | None = None
    counted: date | None = None
    used_since: float = 0.0

    @property
    def counted_units(self) -> float:
        """Units that were counted."""
        return sum(lot.units for lot in self.lots)

    @property
    def left(self) -> tuple[StockLot, ...]:
        """What of the lots is on hand still: what expires first was used first."""
        used, found = self.used_since, []
        for lot in sorted(self.lots, key=lambda one: one.expires or date.max):
            taken = min(used, lot.units)
            used -= taken
            found.append(replace(lot, units=lot.units - taken))
        return tuple(found)


@dataclass(frozen=True)
class StaffingInputs:
    """Everything the desk says.

    Attributes
    ----------
    staff
        By any order.
    hours
        By branch id; a branch that is not here is not planned.
    minutes
        Those of a branch come before those of all.
    prices
        Costs.
    stock
        Items to be ordered.
    planned_doses
        Day and branch of each dose of a signed plan still ahead, first doses and further ones.
    locum_shifts
        By role: locum shifts a week and branch that can be had at most; None: the table's.
    """

    staff: tuple[StaffMember, ...]
    hours: Mapping[str, BranchHours]
    minutes: tuple[Minutes, ...] = field(default_factory=default_minutes)
    prices: Prices = field(default_factory=default_prices)
    stock: tuple[StockItem, ...] = ()
    planned_doses: tuple[tuple[date, str], ...] = ()
    locum_shifts: Mapping[str, int] | None = None

    def __post_init__(self) -> None:
        if not self.hours:
            raise StaffingError(
                "a plan of staff was asked and no branch has opening hours; enter them first"
            )
        for one in self.staff:
            if wrong := [skill for skill in one.skills if skill not in ROLES]:
                raise StaffingError(
                    f"somebody of staff ({one.id}) has the skill {wrong[0]!r}; allowed are "
                    f"{', '.join(ROLES)}"
                )
            if not one.contract_hours >= 0.0:
                raise StaffingError(
                    f"somebody of staff ({one.id}) has {one.contract_hours:g} hours a week by "
                    "contract; allowed is 0 or more"
                )

    def most_locums(self, role: str) -> int:
        """Return how many locum shifts of a role a branch can have in a week."""
        if self.locum_shifts is None:
            return int(table().number(f"locum.shifts.{role}"))
        return int(self.locum_shifts.get(role, 0))

    def minutes_of(self, kind: str, role: str, branch: str) -> Minutes:
        """Return how long a visit takes of a role at a branch; what nobody says takes none."""
        found = [m for m in self.minutes if (m.kind, m.role) == (kind, role)]
        own = [m for m in found if m.branch == branch] or [m for m in found if m.branch is None]
        return own[-1] if own else Minutes(kind, role, 0.0, branch)
