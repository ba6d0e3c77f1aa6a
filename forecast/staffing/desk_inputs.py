"""From what the records hold of the desk to the values that staffing is reckoned from.

Where the desk says nothing the house's table stands in, and is named; where it says nothing of who
works or what is on the shelf, there is nobody and nothing to plan with, which is said as well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import pandas as pd

from forecast.practice import Practice
from forecast.records import Records
from forecast.records import branches as branch_records
from forecast.records.care import doses_taken
from forecast.records.desk import (
    MINUTES,
    PRICE,
    DeskNumber,
    StockCount,
    hours_on_record,
    numbers_on,
    stock_on_record,
)
from forecast.records.plan_decisions import signed_doses
from forecast.records.staff import StaffOnRecord, staff_on_record
from forecast.regions import Branch, parse_opening
from forecast.staffing.desk_numbers import (
    FROM_DESK,
    KINDS,
    Minutes,
    default_minutes,
    prices_from,
    slug,
    table,
)
from forecast.staffing.inputs import BranchHours, StaffingInputs, StaffMember, StockItem, StockLot
from forecast.visits.counting.volume import public_holidays


@dataclass(frozen=True)
class Desk:
    """What the desk says, and who the random ids are; `names` must go no further than a person.

    `without_hours` are branches whose opening hours nobody gave, with the hours taken instead.
    """

    inputs: StaffingInputs
    names: Mapping[str, str]
    branches: Mapping[str, Branch]
    without_hours: tuple[str, ...]


def stock_items() -> tuple[str, ...]:
    """Return the items that visits use up, by the names that the desk knows them by."""
    names = {key.split(".")[2] for key in table().parameters if key.startswith("stock.use.")}
    return tuple(sorted(name.replace("_", " ") for name in names))


def desk_inputs(practice: Practice, records: Records, *, first_day: date, weeks: int) -> Desk:
    """Return what the desk says of the weeks from `first_day` on.

    Opening hours are those in force on each day, with the closures on record and the public
    holidays of the practice's country, or the part of it that practice.toml names. Contracts hold
    day by day too; minutes and prices are those of `first_day`.

    Raises
    ------
    StaffingError
        If there is no branch.
    VisitError
        If the holidays of the country are not known.
    """
    last_day = first_day + timedelta(weeks=weeks)
    opening = branch_hours(records, day=first_day)
    closed = _closed_days(practice, records, first_day, last_day)
    people = staff_on_record(records, day=first_day)
    numbers = numbers_on(records, day=first_day)
    inputs = StaffingInputs(
        staff=tuple(member for one in people for member in _members(one)),
        hours={
            branch: replace(hours, closed=frozenset(closed.get(branch, ())))
            for branch, hours in opening.items()
        },
        minutes=_minutes(numbers),
        prices=prices_from(
            {one.item: one.number for one in numbers if one.subject == PRICE},
            currency=practice.settings.practice.currency or "",
        ),
        stock=_stock(records, before=first_day),
        planned_doses=tuple(signed_doses(records, after=first_day - timedelta(days=1))),
    )
    names = {one.id: one.shown for one in people}
    without = tuple(branch for branch, hours in opening.items() if not hours.branch.hours)
    places = {branch: hours.branch for branch, hours in opening.items()}
    return Desk(inputs, names, places, without)


def branch_hours(records: Records, *, day: date) -> dict[str, BranchHours]:
    """Return how each branch opens from a day on, changes ahead among it, closures not."""
    told = sorted(hours_on_record(records), key=lambda one: one.from_date)
    found = {}
    for branch in branch_records.branches(records).values():
        own = [
            (one.from_date, _reopened(branch, one.opening))
            for one in told
            if one.branch_id == branch.id
        ]
        now = [as_then for first, as_then in own if first <= day]
        ahead = tuple((first, as_then) for first, as_then in own if first > day)
        found[branch.id] = BranchHours(now[-1] if now else branch, later=ahead)
    return found


def _reopened(branch: Branch, opening: str) -> Branch:
    days, hours = parse_opening(opening)
    return replace(branch, open_days=days, hours=hours)


def _closed_days(
    practice: Practice, records: Records, first: date, last: date
) -> dict[str, set[date]]:
    """Return the days ahead on which each branch is closed out of turn."""
    days = pd.date_range(first, last, freq="D")
    listed = public_holidays(days, practice.settings.practice.holiday_area)
    holidays = {day.date() for day in listed if first <= day.date() <= last}
    closures = branch_records.closures(records)
    found = {branch: set(holidays) for branch in branch_records.branches(records)}
    shut = closures[~closures["full"]]
    for branch, day in zip(shut["branch"], shut["date"].dt.date, strict=True):
        if first <= day <= last:
            found.setdefault(str(branch), set()).add(day)
    return found


def _members(one: StaffOnRecord) -> list[StaffMember]:
    """Return a person once for each stretch of terms: the same id, other days."""
    leave = tuple((span.first, span.last) for span in one.leave)
    ends: list[date | None] = [
        min(following.from_date - timedelta(days=1), terms.until or date.max)
        for terms, following in zip(one.terms, one.terms[1:], strict=False)
    ]
    ends += [terms.until for terms in one.terms[-1:]]
    return [
        StaffMember(
            id=one.id,
            skills=terms.skills,
            home_branch=terms.branch_id,
            contract_hours=terms.hours_week,
            other_branches=terms.also_at,
            overtime_hours=terms.overtime_hours,
            shift_hours=terms.shift_hours,
            leave=leave,
            working_days=terms.days,
            first_day=terms.from_date,
            last_day=end,
        )
        for terms, end in zip(one.terms, ends, strict=True)
    ]


def _minutes(numbers: Sequence[DeskNumber]) -> tuple[Minutes, ...]:
    """Return the house's minutes, and after them the desk's, which come before those."""
    told = [
        Minutes(one.item, one.role or "", one.number, one.branch_id, FROM_DESK)
        for one in numbers
        if one.subject == MINUTES
    ]
    return (*default_minutes(), *told)


def _stock(records: Records, *, before: date) -> tuple[StockItem, ...]:
    """Return what was counted, and of each item how many doses are on record since."""
    counts = stock_on_record(records)
    doses: dict[str, list[tuple[date, str]]] = {}
    for item in dict.fromkeys(one.item for one in counts):
        if (key := f"stock.doses_of.{slug(item)}") in table().parameters:
            first = min(one.counted_on for one in counts if one.item == item)
            therapy = str(table()[key].value)
            doses[item] = doses_taken(records, therapy, after=first, before=before)
    return tuple(
        _item(
            one,
            sum(
                branch == one.branch_id and day > one.counted_on
                for day, branch in doses.get(one.item, ())
            ),
        )
        for one in counts
    )


def _item(one: StockCount, used_since: int) -> StockItem:
    name = slug(one.item)
    use = {
        kind: table().number(key)
        for kind in KINDS
        if (key := f"stock.use.{name}.{slug(kind)}") in table().parameters
    }
    return StockItem(
        id=one.item,
        branch=one.branch_id,
        use=use,
        lots=(StockLot(one.on_hand, one.expires_on),),
        lead_days=one.lead_days,
        pack_size=one.pack_size,
        pack_price=one.pack_price,
        counted=one.counted_on,
        used_since=float(used_since),
    )
