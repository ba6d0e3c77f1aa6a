"""The one place that knows which database holds the records, and how a transaction begins.

Under the default driver SQLite loses writes silently when a value is read and then written back,
because the read takes no lock. So every writing transaction opens with BEGIN IMMEDIATE and every
reading one is barred from writing; on PostgreSQL an advisory lock gives the same order.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, IntegrityError

from models.errors import ForepawError

BUSY_TIMEOUT_SECONDS = 30
_MODE = "forepaw_mode"  # execution option: "read" or "write"
_WRITER_LOCK = 4_610_709  # any number, the same in every process of this service


class RecordsError(ForepawError):
    """The records cannot be opened, or were asked for something they do not hold."""


class Records:
    """The records' database. Transactions only: no row object leaves one."""

    def __init__(self, url: str) -> None:
        self.url = url
        self._engine = _engine(url)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the records and never takes the write lock."""
        with self._transaction("read") as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open the one writing transaction; it commits at the end or changes nothing.

        No file, network or computing inside: every other writer waits for it.
        """
        with self._transaction("write") as connection:
            yield connection

    @contextmanager
    def _transaction(self, mode: str) -> Iterator[Connection]:
        try:
            with (
                self._engine.connect().execution_options(**{_MODE: mode}) as connection,
                connection.begin(),
            ):
                yield connection
        except IntegrityError:
            raise  # the caller knows which rule of its own was broken
        except DatabaseError as error:
            raise RecordsError(_plain(error, self.url)) from error

    def close(self) -> None:
        """Give all connections back."""
        self._engine.dispose()


def _engine(url: str) -> Engine:
    try:
        parsed = make_url(url)
        # Parameters hold names; without them an error's text, and so a log, does not.
        options: dict[str, Any] = {"hide_parameters": True}
        if parsed.get_backend_name() == "sqlite":
            options["connect_args"] = {"timeout": BUSY_TIMEOUT_SECONDS}
            _make_private(parsed.database)
        engine = create_engine(parsed, **options)
    except (ArgumentError, ModuleNotFoundError) as error:
        raise RecordsError(
            f"the records were asked of a database that cannot be used here: {error}; "
            "use sqlite, or install the extra 'postgres'"
        ) from error
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    elif engine.dialect.name == "postgresql":
        event.listen(engine, "begin", _begin_postgresql)
    else:
        raise RecordsError(f"records are kept in sqlite or postgresql, not {engine.dialect.name}")
    return engine


def _make_private(database: str | None) -> None:
    """Make the file, if it is new, readable by its owner only: it will hold names."""
    if database in (None, "", ":memory:"):
        raise RecordsError("records are kept in a file; a database in memory was asked for")
    assert database is not None
    if not Path(database).parent.is_dir():
        raise RecordsError(f"the records' folder {Path(database).parent} does not exist")
    if not Path(database).exists():
        # Never open one that is there: closing it would drop the locks that other connections of
        # this process hold on it, and SQLite would let a second writer spoil the file.
        with suppress(FileExistsError):
            os.close(os.open(database, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))


def _prepare_sqlite(driver_connection: Any, _record: object) -> None:
    driver_connection.isolation_level = None  # the driver's own BEGIN would come too late
    cursor = driver_connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_MODE) == "write"
    connection.exec_driver_sql(f"PRAGMA query_only={'OFF' if writes else 'ON'}")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _begin_postgresql(connection: Connection) -> None:
    if connection.get_execution_options().get(_MODE) == "write":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITER_LOCK})")
    else:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")


def _plain(error: DatabaseError, url: str) -> str:
    place = make_url(url).render_as_string(hide_password=True)
    cause = str(error.orig).strip().splitlines()[0]
    if "locked" in cause:
        return (
            f"the records ({place}) were busy for {BUSY_TIMEOUT_SECONDS} s: another process of "
            "this service is writing; try again when it has finished"
        )
    return f"the records ({place}) could not be used: {cause}"
