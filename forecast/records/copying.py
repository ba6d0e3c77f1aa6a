"""The records as one SQLite file, whatever database they are in, and back into any database.

A file of SQLite is copied page by page in one reading transaction, which its other users do not
notice. From PostgreSQL one REPEATABLE READ transaction gives every table, which go into a new file
of the same schema; so a copy is the same thing wherever the records were.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from alembic import command
from sqlalchemy import JSON, Connection, Integer, Row, Table, Text, cast, func, inspect, select
from sqlalchemy import column as a_column
from sqlalchemy import table as a_table

from forecast.records.engine import Records, RecordsError
from forecast.records.schema import VERSION_TABLE, alembic_config, migrate
from forecast.records.tables import issue, metadata

_ROWS_AT_ONCE = 5_000
_SOUND = "ok"  # what SQLite says of a file in which it finds no fault
Tell = Callable[[float], None]


@dataclass(frozen=True)
class CopiedRecords:
    """What a copy holds, as far as other files have to go with it.

    Attributes
    ----------
    schema
        The schema its tables are at.
    issue_files
        Names of the files of the issues that have a row.
    snapshots
        By issue file, the snapshot of the climate store that it was made from.
    """

    schema: str
    issue_files: tuple[str, ...]
    snapshots: dict[str, str]


def copy_records(records: Records, file: Path, *, tell: Tell) -> CopiedRecords:
    """Copy the records, as they stand now, into a new file of SQLite that only its owner reads.

    Raises
    ------
    RecordsError
        If they cannot be copied, or the copy is not sound: then the records themselves are not.
    """
    os.close(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    if records.is_sqlite:
        with closing(sqlite3.connect(file, isolation_level=None)) as target:
            records.copy_file(target, tell)
            target.execute("PRAGMA journal_mode=DELETE")  # so that the copy is one file
    else:
        _into_new_file(records, file, tell)
    return look_into(file)


def _into_new_file(records: Records, file: Path, tell: Tell) -> None:
    target = Records(f"sqlite:///{file}")
    try:
        migrate(target)
        with records.reading() as source, target.rebuilding() as into:
            _copy_tables(source, into, tell)
    finally:
        target.close()
    with closing(sqlite3.connect(file, isolation_level=None)) as again:
        again.execute("PRAGMA journal_mode=DELETE")


def look_into(file: Path) -> CopiedRecords:
    """Check a copy and say what it holds."""
    with closing(sqlite3.connect(file, isolation_level=None)) as copied:
        try:
            (said,) = copied.execute("PRAGMA quick_check(1)").fetchone()
            if said != _SOUND:
                raise sqlite3.DatabaseError(said)
            (schema,) = copied.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone()
            rows = copied.execute(f"SELECT file, climate_snapshot FROM {issue.name}").fetchall()
        except sqlite3.Error as error:
            raise RecordsError(
                f"a copy of the records is not sound ({error}), so they are damaged; restore the "
                "last good back-up into another folder"
            ) from error
    return CopiedRecords(schema, tuple(file for file, _ in rows), dict(rows))


def fill_empty(source: Records, target: Records, *, tell: Tell = lambda share: None) -> None:
    """Copy all tables of records at the newest schema into an empty database, all or nothing.

    Raises
    ------
    RecordsError
        If the database holds any table.
    """
    with source.reading() as connection, target.rebuilding() as into:
        refuse_unless_empty(into)
        command.upgrade(alembic_config(into), "head")
        _copy_tables(connection, into, tell)
        if not target.is_sqlite:
            _go_on_counting(into)


def refuse_unless_empty(connection: Connection) -> None:
    """Refuse a database that holds any table."""
    held = inspect(connection).get_table_names()
    if held:
        place = connection.engine.url.render_as_string(hide_password=True)
        raise RecordsError(
            f"records were to be put into {place}, which is not empty: it holds {len(held)} "
            f"tables, such as {sorted(held)[0]}; name an empty database, nothing was changed"
        )


def _copy_tables(source: Connection, into: Connection, tell: Tell) -> None:
    tables = metadata.sorted_tables  # those that are cited come first
    n_rows = [source.scalar(select(func.count()).select_from(table)) or 0 for table in tables]
    n_done = 0
    for table in tables:
        for rows in _read(source, table):
            into.execute(_plain(table).insert(), [_written(table, row) for row in rows])
            n_done += len(rows)
            tell(n_done / max(sum(n_rows), 1))


def _read(connection: Connection, table: Table) -> Iterator[Sequence[Row[Any]]]:
    # JSON as the text it is kept as: read as a value, no value and a value of null look the same
    columns = [
        cast(one, Text).label(one.name) if isinstance(one.type, JSON) else one
        for one in table.columns
    ]
    query = select(*columns).order_by(*table.primary_key.columns)
    found = connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(query)
    yield from found.partitions()


def _plain(table: Table) -> Any:
    columns = [
        a_column(one.name, JSON(none_as_null=True) if isinstance(one.type, JSON) else one.type)
        for one in table.columns
    ]
    return a_table(table.name, *columns)


def _written(table: Table, row: Row[Any]) -> dict[str, Any]:
    values = dict(row._mapping)
    for one in table.columns:
        if isinstance(one.type, JSON) and values[one.name] is not None:
            value = json.loads(values[one.name])
            values[one.name] = JSON.NULL if value is None else value
    return values


def _go_on_counting(connection: Connection) -> None:
    """Let PostgreSQL give the next row of each table a number that is free."""
    for table in metadata.sorted_tables:
        keys = list(table.primary_key.columns)
        if len(keys) == 1 and isinstance(keys[0].type, Integer) and not keys[0].foreign_keys:
            sequence = func.pg_get_serial_sequence(table.name, keys[0].name)
            highest = connection.scalar(select(func.max(keys[0])))
            if highest is not None:
                connection.execute(select(func.setval(sequence, highest)))
