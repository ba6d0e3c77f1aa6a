"""What was handed over to owners: letters, calendars with their events, cancellations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, insert, select

from forecast.records import tables
from forecast.records.engine import Records

LETTER, CALENDAR, CANCELLATION = tables.HANDOVER_KINDS


@dataclass(frozen=True)
class Handover:
    """One thing that went out.

    `events` are plain mappings, as `forecast.letters` writes them: what the owner's calendar holds
    from then on, or the days that a letter named.
    """

    dog_id: str
    plan_id: str | None
    kind: str
    at: datetime
    account_id: str | None
    events: tuple[Mapping[str, Any], ...] = ()


def add_handover(connection: Connection, one: Handover) -> None:
    """Write down what goes out, in the transaction that looked whether it may."""
    values = vars(one) | {"events": list(one.events)}
    connection.execute(insert(tables.handover).values(**values))


def handovers_of(records: Records, dog_id: str) -> list[Handover]:
    """Return what was handed over for one dog, oldest first."""
    table = tables.handover
    query = select(table).where(table.c.dog_id == dog_id).order_by(table.c.id)
    with records.reading() as connection:
        return [_handover(dict(row._mapping)) for row in connection.execute(query)]


def newest_of_each(
    connection: Connection, kinds: Sequence[str], *, dog_id: str | None = None
) -> dict[str, Handover]:
    """Return the last thing of some kinds that went out, by the dog it was for."""
    table = tables.handover
    last = select(func.max(table.c.id)).where(table.c.kind.in_(kinds)).group_by(table.c.dog_id)
    query = select(table).where(table.c.id.in_(last))
    if dog_id is not None:
        query = query.where(table.c.dog_id == dog_id)
    return {row.dog_id: _handover(dict(row._mapping)) for row in connection.execute(query)}


def calendars_out(connection: Connection, *, dog_id: str | None = None) -> dict[str, Handover]:
    """Return what each owner's calendar holds of a dog, by dog; of those that were ever given."""
    return newest_of_each(connection, (CALENDAR, CANCELLATION), dog_id=dog_id)


def _handover(row: Mapping[str, Any]) -> Handover:
    values = {name: value for name, value in row.items() if name != "id"}
    return Handover(**values | {"events": tuple(values["events"])})
