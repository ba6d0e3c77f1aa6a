"""Imports of files: rows come in batches under an import id that no query sees until one flip."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, Table, delete, literal, or_, select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError

Row = dict[str, Any]
ROWS_PER_BATCH = 5_000  # the write lock is given back between batches
TABLES: dict[str, Table] = {
    "visits": tables.visit,
    "therapies": tables.therapy_event,
    "scores": tables.pruritus_score,
    "facts": tables.dog_fact,
}


@dataclass(frozen=True)
class ImportedFile:
    """One file that was imported, or whose import is under way or was undone."""

    id: int
    subject: str
    file_name: str
    sha256: str
    state: str
    n_rows: int
    imported_at: datetime


def imported_files(records: Records) -> list[ImportedFile]:
    """Return all imports, oldest first."""
    table = tables.imported_file
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.id)).all()
    return [ImportedFile(**row._mapping) for row in rows]


def live_import(records: Records, subject: str, sha256: str) -> ImportedFile | None:
    """Return the import that already brought in this very file, if one did."""
    with records.reading() as connection:
        return _live(connection, subject, sha256)


def _live(connection: Connection, subject: str, sha256: str) -> ImportedFile | None:
    table = tables.imported_file
    query = select(table).where(
        table.c.subject == subject, table.c.sha256 == sha256, table.c.state == "live"
    )
    row = connection.execute(query).first()
    return None if row is None else ImportedFile(**row._mapping)


def record_import(
    connection: Connection,
    subject: str,
    *,
    file_name: str,
    sha256: str,
    n_rows: int,
    at: datetime,
    state: str = "live",
) -> int:
    """Write down an import within a transaction that the caller holds; return its id."""
    added = connection.execute(
        tables.imported_file.insert().values(
            subject=subject,
            file_name=file_name,
            sha256=sha256,
            n_rows=n_rows,
            imported_at=at,
            state=state,
        )
    )
    assert added.inserted_primary_key is not None
    return int(added.inserted_primary_key[0])


def add_batch(
    records: Records,
    subject: str,
    import_id: int,
    rows: list[Row],
    *,
    prepare: Callable[[Connection, list[Row]], list[Row]] | None = None,
) -> None:
    """Add one batch of rows under an import that is not live yet.

    `prepare` may complete the rows with ids from the same transaction.
    """
    if len(rows) > ROWS_PER_BATCH:
        raise RecordsError(f"a batch of {len(rows)} rows was given; at most {ROWS_PER_BATCH}")
    table = TABLES[subject]
    insert = table.insert().values({table.c.import_id: literal(import_id)})
    with records.writing() as connection:
        connection.execute(insert, rows if prepare is None else prepare(connection, rows))


def go_live(records: Records, import_id: int) -> bool:
    """Flip a pending import live, all its rows at once; False if its file went live meanwhile."""
    table = tables.imported_file
    with records.writing() as connection:
        row = connection.execute(select(table).where(table.c.id == import_id)).one()
        if row.state != "pending":
            raise RecordsError(f"import {import_id} is {row.state}, only a pending one goes live")
        if _live(connection, row.subject, row.sha256):
            return False
        connection.execute(update(table).where(table.c.id == import_id).values(state="live"))
    return True


def undo_import(records: Records, import_id: int) -> int:
    """Take an import back: hidden by one flip first, then its rows are deleted in batches."""
    table = tables.imported_file
    with records.writing() as connection:
        subject = connection.scalar(select(table.c.subject).where(table.c.id == import_id))
        if subject is None:
            raise RecordsError(f"import {import_id} was to be undone; there is no such import")
        if subject not in TABLES:
            raise RecordsError(
                f"import {import_id} brought in {subject}, which are kept up to date in place "
                "and cannot be undone; import a corrected file"
            )
        connection.execute(update(table).where(table.c.id == import_id).values(state="undone"))
    return _delete_rows(records, TABLES[subject], import_id)


def _delete_rows(records: Records, table: Table, import_id: int) -> int:
    n_deleted = 0
    batch = select(table.c.id).where(table.c.import_id == import_id).limit(ROWS_PER_BATCH)
    while True:
        with records.writing() as connection:
            gone = connection.execute(delete(table).where(table.c.id.in_(batch))).rowcount
        n_deleted += gone
        if gone < ROWS_PER_BATCH:
            return n_deleted


def sweep_pending(records: Records, started_before: datetime) -> int:
    """Undo imports that a killed process left pending since before a moment."""
    table = tables.imported_file
    query = select(table.c.id).where(
        table.c.state == "pending", table.c.imported_at < started_before
    )
    with records.reading() as connection:
        left = list(connection.scalars(query))
    for import_id in left:
        undo_import(records, import_id)
    return len(left)


def visible(table: Table) -> Select[Any]:
    """Select the rows of a table that count: entered at a desk, or from an import that is live.

    In the order in which they came, so that the last of several about one thing is the newest.
    """
    source = tables.imported_file
    joined = table.outerjoin(source, source.c.id == table.c.import_id)
    live = or_(table.c.import_id.is_(None), source.c.state == "live")
    return select(table).select_from(joined).where(live).order_by(table.c.id)
