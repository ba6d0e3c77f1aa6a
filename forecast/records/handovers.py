"""What was handed over to owners: letters, calendars with their events, cancellations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, insert, select

from forecast.records import tables
from forecast.records.engine import Records

LETTER, CALENDAR, CANCELLATION = tables.HANDOVER_KINDS


class Correspondence(NamedTuple):
    """Between whom and about what things go out: a dog's owner of that day, one class of therapy.

    A calendar belongs to it: who owns a dog later has another one, under other UIDs. Ids are
    random; `owner_id` is None where no owner was on record.
    """

    dog_id: str
    owner_id: str | None
    therapy: str


@dataclass(frozen=True)
class Handover:
    """One thing that went out.

    `events` are plain mappings, as `forecast.letters` writes them: what the owner's calendar holds
    from then on, or the days that a letter named. `form_key` is of the form that asked for it.
    """

    of: Correspondence
    plan_id: str | None
    kind: str
    at: datetime
    account_id: str | None
    events: tuple[Mapping[str, Any], ...] = ()
    form_key: str | None = None

    def is_again(self, last: Handover | None) -> bool:
        """Say whether a form that was sent before asks for the very thing that it brought then."""
        if last is None or self.form_key is None:
            return False
        mine, before = (
            (one.form_key, one.kind, one.plan_id, [dict(event) for event in one.events])
            for one in (self, last)
        )
        return mine == before


def add_handover(connection: Connection, one: Handover) -> bool:
    """Write down what goes out, in the transaction that looked whether it may.

    Returns
    -------
    bool
        False where its form had brought the very same before: then nothing is written down anew.
    """
    last = newest_of_each(connection, (one.kind,), dog_id=one.of.dog_id).get(one.of)
    if one.is_again(last):
        return False
    values = {name: value for name, value in vars(one).items() if name != "of"}
    row = one.of._asdict() | values | {"events": list(one.events)}
    connection.execute(insert(tables.handover).values(**row))
    return True


def handovers_of(records: Records, dog_id: str) -> list[Handover]:
    """Return what was handed over for one dog, oldest first."""
    table = tables.handover
    query = select(table).where(table.c.dog_id == dog_id).order_by(table.c.id)
    with records.reading() as connection:
        return [_handover(row._mapping) for row in connection.execute(query)]


def newest_of_each(
    connection: Connection, kinds: Sequence[str], *, dog_id: str | None = None
) -> dict[Correspondence, Handover]:
    """Return the last thing of some kinds that went out in each correspondence, oldest first."""
    table = tables.handover
    last = select(func.max(table.c.id)).where(table.c.kind.in_(kinds))
    last = last.group_by(table.c.dog_id, table.c.owner_id, table.c.therapy)
    query = select(table).where(table.c.id.in_(last)).order_by(table.c.id)
    if dog_id is not None:
        query = query.where(table.c.dog_id == dog_id)
    found = [_handover(row._mapping) for row in connection.execute(query)]
    return {one.of: one for one in found}


def calendars_out(
    connection: Connection, *, dog_id: str | None = None
) -> dict[Correspondence, Handover]:
    """Return what each owner's calendar holds of a dog and therapy, of those ever given."""
    return newest_of_each(connection, (CALENDAR, CANCELLATION), dog_id=dog_id)


def last_calendar_of_plans(
    connection: Connection, *, dog_id: str | None = None
) -> dict[str, str | None]:
    """Return by plan the id of the owner to whom its calendar was given last."""
    table = tables.handover
    query = select(table.c.plan_id, table.c.owner_id).where(table.c.kind == CALENDAR)
    if dog_id is not None:
        query = query.where(table.c.dog_id == dog_id)
    rows = connection.execute(query.order_by(table.c.id))
    return {plan_id: owner_id for plan_id, owner_id in rows}


def _handover(row: Mapping[Any, Any]) -> Handover:
    values = {str(name): value for name, value in row.items() if name != "id"}
    of = Correspondence(*(values.pop(name) for name in Correspondence._fields))
    return Handover(of=of, **values | {"events": tuple(values["events"])})
