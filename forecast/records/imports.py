"""Imports of files: rows come in batches under an import id that no query sees until one flip.

An import is *pending* while its rows come in, then *live*; or *held*, where it differs so much from
the practice's past that a person must look first. One that is *undone* leaves no rows behind. Only
rows of live imports are ever seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    Table,
    delete,
    literal,
    or_,
    select,
    update,
)

from forecast.records import tables
from forecast.records.bulk import batches
from forecast.records.engine import Records, RecordsError

Row = dict[str, Any]
VISITS = "visits"
PENDING, HELD, LIVE, UNDONE = "pending", "held", "live", "undone"
# What an import of each subject brings, what cites others first.
TABLES: dict[str, tuple[Table, ...]] = {
    VISITS: (tables.visit, tables.home),
    "therapies": (tables.therapy_event,),
    "scores": (tables.pruritus_score,),
    "facts": (tables.dog_fact,),
    "reactions": (tables.adverse_reaction,),
    "vaccinations": (tables.vaccination,),
    "medicines": (tables.medicine,),
    "tests": (tables.allergy_test,),
    "closures": (tables.closure,),
}


@dataclass(frozen=True)
class ImportedFile:
    """One file that was imported, is being imported, is held, or was undone.

    `held_because` are the sentences for which a person had to look, also after the answer.
    """

    id: int
    subject: str
    file_name: str
    sha256: str
    state: str
    n_rows: int
    imported_at: datetime
    held_because: tuple[str, ...] = ()
    first_date: date | None = None
    last_date: date | None = None


def imported_files(records: Records) -> list[ImportedFile]:
    """Return all imports, oldest first."""
    table = tables.imported_file
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.id)).all()
    return [_file(row._mapping) for row in rows]


def _file(values: Any) -> ImportedFile:
    because = tuple(values["held_because"] or ())
    return ImportedFile(**dict(values) | {"held_because": because})


def standing_import(records: Records, subject: str, sha256: str) -> ImportedFile | None:
    """Return the import that already brought in this very file and is live or held."""
    with records.reading() as connection:
        return _standing(connection, subject, sha256)


def _standing(connection: Connection, subject: str, sha256: str) -> ImportedFile | None:
    table = tables.imported_file
    query = select(table).where(
        table.c.subject == subject,
        table.c.sha256 == sha256,
        table.c.state.in_((LIVE, HELD)),
    )
    row = connection.execute(query.order_by(table.c.id)).first()
    return None if row is None else _file(row._mapping)


def record_import(
    connection: Connection,
    subject: str,
    *,
    file_name: str,
    sha256: str,
    n_rows: int,
    at: datetime,
    state: str = LIVE,
    days: tuple[date, date] | None = None,
) -> int:
    """Write down an import within a transaction that the caller holds; return its id.

    `days` are the first and the last day of its rows.
    """
    first, last = days or (None, None)
    added = connection.execute(
        tables.imported_file.insert().values(
            subject=subject,
            file_name=file_name,
            sha256=sha256,
            n_rows=n_rows,
            imported_at=at,
            state=state,
            first_date=first,
            last_date=last,
        )
    )
    assert added.inserted_primary_key is not None
    return int(added.inserted_primary_key[0])


def add_batches(
    records: Records,
    subject: str,
    import_id: int,
    rows: list[Row],
    *,
    tell: Callable[[int], None] | None = None,
) -> None:
    """Add rows under an import that is not live yet; `tell` hears how many came in each time."""
    table = TABLES[subject][0]
    insert = table.insert().values({table.c.import_id: literal(import_id)})
    for part in batches(rows):
        with records.writing() as connection:
            connection.execute(insert, part)
        if tell is not None:
            tell(len(part))


def go_live(records: Records, import_id: int) -> bool:
    """Flip a pending import live, all its rows at once; False if its file came in meanwhile."""
    with records.writing() as connection:
        return flip(connection, import_id, LIVE)


def flip(
    connection: Connection,
    import_id: int,
    state: str,
    because: Sequence[str] = (),
    *,
    replaces: int | None = None,
) -> bool:
    """Flip a pending import live or held in the caller's transaction; see `go_live`.

    The import that it `replaces` is undone by the same flip, and the moment at which its file came
    is handed on; its rows are left for `delete_undone`.
    """
    row = _one(connection, import_id)
    if row.state != PENDING:
        raise RecordsError(f"import {import_id} is {row.state}, only a pending one goes live")
    if replaces is not None:
        earlier = readable_again(connection, replaces)
        _change(connection, replaces, state=UNDONE)
        _change(connection, import_id, imported_at=earlier.imported_at)
        _hand_on_erased(connection, replaces, import_id)
    if _standing(connection, row.subject, row.sha256):
        return False
    _change(connection, import_id, state=state, held_because=list(because) or None)
    return True


def accept(connection: Connection, import_id: int) -> None:
    """Flip a held import live in the caller's transaction; why it was held stays on record."""
    row = _one(connection, import_id)
    if row.state != HELD:
        raise RecordsError(
            f"import {import_id} was to be accepted; it is {row.state}, and only one that is held "
            "can be: `forepaw import list` shows them"
        )
    _change(connection, import_id, state=LIVE)


def undo_import(records: Records, import_id: int) -> int:
    """Take an import back: hidden by one flip first, then its rows are deleted in batches.

    Return the number of rows of its own table.
    """
    with records.writing() as connection:
        row = _one(connection, import_id)
        if row.subject not in TABLES:
            raise RecordsError(
                f"import {import_id} brought in {row.subject}, which are kept up to date in place "
                "and cannot be undone; import a corrected file"
            )
        _change(connection, import_id, state=UNDONE)
    return delete_undone(records, row)


def delete_undone(records: Records, undone: ImportedFile) -> int:
    """Delete the rows of an undone import in batches; return the number of its own table's."""
    n_deleted = [_delete_rows(records, table, undone.id) for table in TABLES[undone.subject]]
    return n_deleted[0]


def _hand_on_erased(connection: Connection, earlier: int, import_id: int) -> None:
    """Keep what counts of dogs that were erased: no raw file tells of them any more."""
    named = select(tables.dog_identity.c.dog_id)
    for table in TABLES[VISITS]:
        theirs = table.c.dog_id.is_not(None) & table.c.dog_id.not_in(named)
        moved = update(table).where(table.c.import_id == earlier, theirs)
        connection.execute(moved.values(import_id=import_id))


def readable_again(connection: Connection, import_id: int) -> ImportedFile:
    """Return an import whose file can be read anew: visits that are live or held."""
    row = _one(connection, import_id)
    asked = f"import {import_id} was to be read again"
    if row.subject != VISITS:
        raise RecordsError(
            f"{asked}; it brought in {row.subject}, which no layout has a part in; bring in a "
            "corrected file"
        )
    if row.state not in (LIVE, HELD):
        raise RecordsError(
            f"{asked}; it is {row.state}, and only one that counts or is held can be: `forepaw "
            "import list` shows them"
        )
    return row


def _one(connection: Connection, import_id: int) -> ImportedFile:
    table = tables.imported_file
    row = connection.execute(select(table).where(table.c.id == import_id)).first()
    if row is None:
        raise RecordsError(f"import {import_id} was asked for; there is no such import")
    return _file(row._mapping)


def _change(connection: Connection, import_id: int, **values: Any) -> None:
    table = tables.imported_file
    connection.execute(update(table).where(table.c.id == import_id).values(values))


def _delete_rows(records: Records, table: Table, import_id: int) -> int:
    with records.reading() as connection:
        doomed = select(table.c.id).where(table.c.import_id == import_id)
        ids = list(connection.scalars(doomed.order_by(table.c.id)))
    for part in batches(ids):
        with records.writing() as connection:
            span = table.c.id.between(part[0], part[-1])
            connection.execute(delete(table).where(table.c.import_id == import_id, span))
    return len(ids)


def sweep_pending(records: Records, started_before: datetime) -> int:
    """Undo imports that a killed process left pending since before a moment.

    An undoing that a killed process left half done is completed too.
    """
    table = tables.imported_file
    query = select(table.c.id).where(table.c.state == PENDING, table.c.imported_at < started_before)
    with records.reading() as connection:
        left = list(connection.scalars(query))
        undone = connection.execute(
            select(table.c.id, table.c.subject).where(table.c.state == UNDONE)
        ).all()
        half_done = [
            (one, row.id)
            for row in undone
            for one in TABLES[row.subject]
            if connection.scalar(select(one.c.id).where(one.c.import_id == row.id).limit(1))
        ]
    for import_id in left:
        undo_import(records, import_id)
    for one, import_id in half_done:
        _delete_rows(records, one, import_id)
    return len(left)


def visible(
    table: Table, *columns: Any, also: tuple[Table, ColumnElement[bool]] | None = None
) -> Select[Any]:
    """Select the rows of a table that count: entered at a desk, or from an import that is live.

    All their columns, or those named; in the order in which they came, so that the last of several
    about one thing is the newest. `also` is another table whose columns may be named, and which of
    its rows goes with one of ours, if any does.
    """
    source = tables.imported_file
    joined = table.outerjoin(source, source.c.id == table.c.import_id)
    if also is not None:
        joined = joined.outerjoin(*also)
    live = or_(table.c.import_id.is_(None), source.c.state == LIVE)
    return select(*(columns or (table,))).select_from(joined).where(live).order_by(table.c.id)
