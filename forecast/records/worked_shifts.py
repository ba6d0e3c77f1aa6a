"""Shifts that were really worked, as a file told them: who, where, as what, from when to when.

Nothing is overwritten: what a file tells of a branch's day stands in place of what was told of it
before, whose rows stay, marked with when. Nobody is named; who is not on the staff list has no id.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time

from sqlalchemy import Connection, func, insert, select, update

from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.staff import Recorded


@dataclass(frozen=True)
class WorkedShift:
    """One person's time at one branch on one day.

    Attributes
    ----------
    person
        Random id of a member of staff; None: somebody who is not on the staff list.
    """

    day: date
    branch_id: str
    role: str
    begins: time
    ends: time
    person: str | None = None

    @property
    def hours(self) -> float:
        """How long it was [h]."""
        minutes = 60 * (self.ends.hour - self.begins.hour) + self.ends.minute - self.begins.minute
        return minutes / 60.0


def keep_worked_shifts(
    connection: Connection, found: Iterable[WorkedShift], recorded: Recorded
) -> int:
    """Keep what was worked, in place of what was held of the same branches' days.

    A day that is told as it was held stays as it is. Return how many rows were added.
    """
    told: dict[tuple[str, date], list[WorkedShift]] = {}
    for one in found:
        told.setdefault((one.branch_id, one.day), []).append(one)
    if not told:
        return 0
    table = tables.staff_shift
    days = [day for _, day in told]
    current = select(table).where(
        table.c.replaced_at.is_(None), table.c.day >= min(days), table.c.day <= max(days)
    )
    held: dict[tuple[str, date], list[tuple[int, WorkedShift]]] = {}
    for row in connection.execute(current):
        one = WorkedShift(row.day, row.branch_id, row.role, row.begins, row.ends, row.staff_id)
        held.setdefault((row.branch_id, row.day), []).append((row.id, one))
    gone, new = [], []
    for where, shifts in told.items():
        before = held.get(where, [])
        if Counter(one for _, one in before) != Counter(shifts):
            gone += [row_id for row_id, _ in before]
            new += shifts
    for row_id in gone:
        own = update(table).where(table.c.id == row_id)
        connection.execute(own.values(replaced_at=recorded.at))
    if new:
        connection.execute(insert(table), [_values(one, recorded) for one in new])
    return len(new)


def _values(one: WorkedShift, recorded: Recorded) -> dict[str, object]:
    return {
        "staff_id": one.person,
        "branch_id": one.branch_id,
        "role": one.role,
        "day": one.day,
        "begins": one.begins,
        "ends": one.ends,
        "recorded_at": recorded.at,
        "recorded_by": recorded.by,
    }


def worked_shifts(records: Records, *, first: date, last: date) -> list[WorkedShift]:
    """Return the shifts worked between two days, both included, by day and branch."""
    table = tables.staff_shift
    query = select(table).where(
        table.c.replaced_at.is_(None), table.c.day >= first, table.c.day <= last
    )
    order = (table.c.day, table.c.branch_id, table.c.begins, table.c.id)
    with records.reading() as connection:
        rows = connection.execute(query.order_by(*order)).all()
    return [WorkedShift(r.day, r.branch_id, r.role, r.begins, r.ends, r.staff_id) for r in rows]


def worked_span(records: Records) -> tuple[date, date, int] | None:
    """Return the first and the last day of which shifts are held and how many; None where none."""
    table = tables.staff_shift
    told = select(func.min(table.c.day), func.max(table.c.day), func.count())
    with records.reading() as connection:
        first, last, n = connection.execute(told.where(table.c.replaced_at.is_(None))).one()
    return None if n == 0 else (first, last, n)
