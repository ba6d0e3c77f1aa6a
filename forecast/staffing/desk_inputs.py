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
from forecast.records.desk import (
    MINUTES,
    PRICE,
    DeskHours,
    DeskNumber,
    StockCount,
    hours_on_record,
    numbers_on,
    stock_on_record,
)
from forecast.records.plan_decisions import signed_doses
from forecast.records.staff import StaffOnRecord, staff_on_record
from forecast.regions import Branch, parse_opening
from forecast.staffing.inputs import (
    FROM_DESK,
    KINDS,
    BranchHours,
    Minutes,
    StaffingInputs,
    StaffMember,
    StockItem,
    StockLot,
    default_minutes,
    prices_from,
    slug,
    table,
)
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

    Opening hours are those in force on `first_day`, with the closures on record and the public
    holidays of the practice's country, or the part of it that practice.toml names.

    Raises
    ------
    StaffingError
        If there is no branch.
    VisitError
        If the holidays of the country are not known.
    """
    held = branch_records.branches(records)
    last_day = first_day + timedelta(weeks=weeks)
    opening = _opening_on(hours_on_record(records), first_day)
    places = {
        branch.id: _reopened(branch, opening[branch.id]) if branch.id in opening else branch
        for branch in held.values()
    }
    closed = _closed_days(practice, records, first_day, last_day)
    people = staff_on_record(records, day=first_day)
    numbers = numbers_on(records, day=first_day)
    inputs = StaffingInputs(
        staff=tuple(member for one in people for member in _members(one)),
        hours={
            place.id: BranchHours(place, frozenset(closed.get(place.id, ())))
            for place in places.values()
        },
        minutes=_minutes(numbers),
        prices=prices_from({one.item: one.number for one in numbers if one.subject == PRICE}),
        stock=tuple(_stock(one) for one in stock_on_record(records)),
        planned_doses=tuple(signed_doses(records, after=first_day - timedelta(days=1))),
    )
    names = {one.id: one.shown for one in people}
    without = tuple(place.id for place in places.values() if not place.hours)
    return Desk(inputs, names, places, without)


def _opening_on(told: Sequence[DeskHours], day: date) -> dict[str, str]:
    return {
        one.branch_id: one.opening
        for one in sorted(told, key=lambda one: one.from_date)
        if one.from_date <= day
    }


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


def _stock(one: StockCount) -> StockItem:
    name = one.item.replace(" ", "_")
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
    )
