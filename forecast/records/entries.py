"""What people enter of one dog at a desk: added with who and when, listed, taken back.

A row that is taken back is deleted from its table, so that nothing that reads it can count it; what
it said is kept apart, with who took it back and when. An older row that it stood before, such as
one from a file, counts again.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Table, Text, delete, func, insert, select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id

_TABLES = {
    table.name: table
    for table in (
        *(tables.pruritus_score, tables.dog_fact, tables.therapy_event, tables.adverse_reaction),
        *(tables.therapy_release, tables.dog_status, tables.vaccination, tables.medicine),
        *(tables.allergy_test, tables.response_trial),
    )
}
_DAYS = ("date", "begun", "until")
_NOT_SAID = ("id", "dog_id", "import_id")
_entry, _back = tables.desk_entry, tables.entry_taken_back


class TakenBackError(RecordsError):
    """An entry cannot be taken back: there is none, or somebody did so before."""


@dataclass(frozen=True)
class EnteredRow:
    """One row that was entered: its table and what it says, without whose it is."""

    table: str
    values: Mapping[str, Any]

    @property
    def day(self) -> datetime.date:
        """The day that it is about."""
        day = self.values["begun" if "begun" in self.values else "date"]
        assert isinstance(day, datetime.date)
        return day


@dataclass(frozen=True)
class TakenBack:
    """When an entry was taken back and by whom; `in_words` is what had been written in words."""

    at: datetime.datetime
    by: str
    reason: str | None
    in_words: str | None


@dataclass(frozen=True)
class Entered:
    """What was entered of a dog at once; `at` and `by` are None where nobody wrote them down."""

    id: str
    dog_id: str
    rows: tuple[EnteredRow, ...]
    at: datetime.datetime | None
    by: str | None
    taken_back: TakenBack | None = None


@dataclass(frozen=True)
class Standing:
    """How far the records of dogs have come: which imports count, and the last entry at a desk.

    Where `imports` are the same, all that is new was entered or taken back at a desk since.
    """

    imports: tuple[tuple[Any, ...], ...]
    last: Mapping[str, int]


# ---------------------------------------------------------------------------------------- entering
def enter(
    connection: Connection,
    dog_id: str,
    rows: Iterable[tuple[str, Mapping[str, Any]]],
    *,
    by: str,
    at: datetime.datetime,
) -> str:
    """Add rows that a person entered of a dog at once, in a writing transaction of the caller's.

    Parameters
    ----------
    rows
        The name of the table and the values of each.

    Returns
    -------
    str
        The id of the entry, by which it can be taken back.
    """
    entry = new_id()
    for name, values in rows:
        added = connection.execute(insert(_TABLES[name]).values(dog_id=dog_id, **values))
        assert added.inserted_primary_key is not None
        (row_id,) = added.inserted_primary_key
        of_row = {"entry": entry, "dog_id": dog_id, "row_of": name, "row_id": row_id}
        connection.execute(insert(_entry).values(**of_row, at=at, account_id=by))
    return entry


def last_entered(records: Records) -> datetime.datetime | None:
    """Return the moment of the last entry or taking back; None where there is none."""
    with records.reading() as connection:
        moments = [connection.scalar(select(func.max(table.c.at))) for table in (_entry, _back)]
    return max((one for one in moments if one is not None), default=None)


def entered_of(records: Records, dog_id: str) -> list[Entered]:
    """Return what was entered of one dog and stands, in the order in which it was entered."""
    query = select(_entry).where(_entry.c.dog_id == dog_id, _entry.c.row_id.is_not(None))
    with records.reading() as connection:
        rows = connection.execute(query.order_by(_entry.c.id)).all()
        held = _held(connection, rows)
    of_entry: dict[str, list[Row[Any]]] = {}
    for row in rows:
        of_entry.setdefault(row.entry, []).append(row)
    said = {entry: _said(held, own) for entry, own in of_entry.items()}
    return [
        Entered(entry, dog_id, said[entry], own[0].at, own[0].account_id)
        for entry, own in of_entry.items()
        if said[entry]  # else its rows have gone by another way: there is nothing to tell of
    ]


def taken_back_of(records: Records, dog_id: str) -> list[Entered]:
    """Return what was taken back of one dog, in the order in which that was done."""
    query = select(_back).where(_back.c.dog_id == dog_id).order_by(_back.c.id)
    with records.reading() as connection:
        rows = connection.execute(query).all()
    return [
        Entered(
            row.entry,
            dog_id,
            tuple(EnteredRow(one["table"], _read(one["values"])) for one in row.said),
            row.entered_at,
            row.entered_by,
            TakenBack(row.at, row.account_id, row.reason, row.in_words),
        )
        for row in rows
    ]


def _said(
    held: Mapping[tuple[str, int], EnteredRow], rows: Iterable[Row[Any]]
) -> tuple[EnteredRow, ...]:
    """Return what the rows of an entry say, as far as they are still there."""
    found = (held.get((row.row_of, row.row_id)) for row in rows)
    return tuple(one for one in found if one is not None)


def _held(connection: Connection, rows: Sequence[Row[Any]]) -> dict[tuple[str, int], EnteredRow]:
    """Return the rows that entries stand for, by table and number."""
    ids: dict[str, list[int]] = {}
    for row in rows:
        ids.setdefault(row.row_of, []).append(row.row_id)
    found = {}
    for name, wanted in ids.items():
        table = _TABLES[name]
        for row in connection.execute(select(table).where(table.c.id.in_(wanted))):
            said = {key: value for key, value in row._mapping.items() if key not in _NOT_SAID}
            found[name, row.id] = EnteredRow(name, said)
    return found


# ------------------------------------------------------------------------------------- taking back
def take_back(
    connection: Connection,
    entry: str,
    *,
    dog_id: str,
    by: str,
    at: datetime.datetime,
    reason: str | None,
) -> Entered:
    """Take back all that was entered of a dog at once, in the caller's writing transaction.

    Raises
    ------
    TakenBackError
        If the dog has no such entry, or it was taken back before.
    """
    mine = (_entry.c.entry == entry, _entry.c.dog_id == dog_id)
    query = select(_entry).where(*mine).order_by(_entry.c.id).with_for_update()
    rows = connection.execute(query).all()
    if not rows:
        raise TakenBackError(
            "an entry was to be taken back that this dog does not have; open its page again"
        )
    if any(row.row_id is None for row in rows):
        raise TakenBackError(
            "this entry was taken back before, by somebody else or by the same form sent twice; "
            "it counts nowhere, and nothing was changed now"
        )
    said = _said(_held(connection, rows), rows)
    if not said:
        raise TakenBackError(
            "an entry was to be taken back that is no longer on record; open the dog's page again"
        )
    for row in rows:
        table = _TABLES[row.row_of]
        connection.execute(delete(table).where(table.c.id == row.row_id))
    connection.execute(update(_entry).where(*mine).values(row_id=None))
    told = TakenBack(at, by, reason, _in_words(said))
    values = {
        "entry": entry,
        "dog_id": dog_id,
        "date": max(one.day for one in said),
        "entered_at": rows[0].at,
        "entered_by": rows[0].account_id,
        "at": at,
        "account_id": by,
        "reason": reason,
        "in_words": told.in_words,
        "said": [{"table": one.table, "values": _written(one)} for one in said],
    }
    connection.execute(insert(_back).values(**values))
    return Entered(entry, dog_id, said, rows[0].at, rows[0].account_id, told)


def _is_words(table: Table, column: str) -> bool:
    """Say whether a column holds what somebody wrote in words."""
    return isinstance(table.c[column].type, Text)


def _in_words(said: Iterable[EnteredRow]) -> str | None:
    """Return what was written in words; it is kept apart, so that it can be forgotten."""
    words = [
        str(value)
        for one in said
        for name, value in one.values.items()
        if value and _is_words(_TABLES[one.table], name)
    ]
    return "; ".join(words) or None


def _written(one: EnteredRow) -> dict[str, Any]:
    table = _TABLES[one.table]
    return {
        name: value.isoformat() if isinstance(value, datetime.date) else value
        for name, value in one.values.items()
        if not _is_words(table, name)
    }


def _read(values: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: datetime.date.fromisoformat(value) if name in _DAYS and value else value
        for name, value in values.items()
    }


# --------------------------------------------------------------------------------- how far it came
def care_standing(records: Records) -> Standing:
    """Say how far the records of dogs have come."""
    source, definition = tables.imported_file, tables.case_definition
    with records.reading() as connection:
        counted = connection.execute(
            select(source.c.state, func.count(), func.max(source.c.id)).group_by(source.c.state)
        )
        imports = sorted(tuple(row) for row in counted)
        dogs = connection.scalar(select(func.count()).select_from(tables.dog))
        named = connection.scalar(select(func.count()).select_from(tables.dog_identity))
        in_force = connection.scalar(select(func.max(definition.c.id)).where(definition.c.in_force))
        last = {
            table.name: connection.scalar(select(func.max(table.c.id))) or 0
            for table in (_entry, _back)
        }
    return Standing((*imports, (dogs, named, in_force)), last)


def dogs_since(records: Records, earlier: Standing) -> set[str]:
    """Return the dogs of which something was entered or taken back since an earlier standing."""
    found = set[str]()
    with records.reading() as connection:
        for table in (_entry, _back):
            newer = table.c.id > earlier.last[table.name]
            found |= set(connection.scalars(select(table.c.dog_id).where(newer).distinct()))
    return found
