"""Many rows at once, in batches so small that nobody else who writes waits long.

One process writes at a time. A batch holds the lock for as long as the disk takes to confirm it,
and leaves a gap after it in which somebody who waits gets his turn (`engine` looks every
millisecond). Ids are drawn in the batch's own transaction, so that rows which cite each other come
together.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from sqlalchemy import Connection, Table, func, select, text
from sqlalchemy.exc import DBAPIError

ROWS_PER_BATCH = 500
_GAP_SECONDS = 0.003
Values = tuple[Any, ...]
_Row = TypeVar("_Row")


def insert_rows(
    connection: Connection,
    table: Table,
    columns: Sequence[str],
    rows: Sequence[Values],
    *,
    unless_there: bool = False,
) -> None:
    """Insert rows in the driver's own quickest way, in a transaction that the caller holds.

    Values are such as both drivers take as they are: text (for days and JSON too), numbers, True,
    False and None. With `unless_there`, a row whose key is there already is left as it is.
    """
    if not rows:
        return
    names = ", ".join(f'"{name}"' for name in columns)
    into = f'"{table.name}" ({names})'
    if connection.dialect.name == "postgresql" and not unless_there:
        _copy(connection, f"COPY {into} FROM STDIN", rows)
        return
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    tail = " ON CONFLICT DO NOTHING" if unless_there else ""
    marks = ", ".join([mark] * len(columns))
    connection.exec_driver_sql(f"INSERT INTO {into} VALUES ({marks}){tail}", list(rows))


def _copy(connection: Connection, statement: str, rows: Sequence[Values]) -> None:
    """Stream rows to PostgreSQL; what goes wrong is raised as SQLAlchemy would have raised it."""
    driver: Any = connection.connection.driver_connection
    errors: Any = connection.dialect.loaded_dbapi.Error
    try:
        with driver.cursor() as cursor, cursor.copy(statement) as copy:
            for row in rows:
                copy.write_row(row)
    except errors as error:
        raise DBAPIError.instance(
            statement, None, error, errors, hide_parameters=True, dialect=connection.dialect
        ) from error


def new_ids(connection: Connection, table: Table, n_rows: int) -> range | list[int]:
    """Draw ids for new rows of a table, rising, within a writing transaction."""
    if connection.dialect.name == "sqlite":
        last = connection.scalar(select(func.max(table.c.id))) or 0
        return range(last + 1, last + 1 + n_rows)
    drawn = text("SELECT nextval(pg_get_serial_sequence(:table, 'id')) FROM generate_series(1, :n)")
    return list(connection.scalars(drawn, {"table": table.name, "n": n_rows}))


def batches(rows: Sequence[_Row], *, n_rows: int = ROWS_PER_BATCH) -> Iterator[Sequence[_Row]]:
    """Cut rows, or whatever is written row by row, into batches; others may write in between."""
    for start in range(0, len(rows), n_rows):
        if start:
            time.sleep(_GAP_SECONDS)
        yield rows[start : start + n_rows]


@contextmanager
def undisturbed() -> Iterator[None]:
    """Keep Python's search for garbage out of what is done with very many rows in memory.

    Among millions of objects one search takes a tenth of a second, in which a lock may be held.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
