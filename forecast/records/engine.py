"""The one place that knows which database holds the records, and how a transaction begins.

Under the default driver SQLite loses writes silently when a value is read and then written back,
because the read takes no lock. So every writing transaction opens with BEGIN IMMEDIATE and every
reading one is barred from writing.

PostgreSQL would lose them as silently at its usual isolation, READ COMMITTED. There every writing
transaction opens with one advisory lock, held to its end, so that writers come one after the other;
READ COMMITTED is asked for by name, as each statement after the wait must see what the writer
before it committed. SERIALIZABLE with another try would do too, but would run a caller's
transaction twice, and it would not give the order of ids in which later rows count.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, IntegrityError, OperationalError

from models.errors import ForepawError

BUSY_TIMEOUT_SECONDS = 30
_MODE = "forepaw_mode"  # execution option: "read" or one of those that write
_WRITING = ("write", "rebuild")
_LOOKS_EVERY_SECONDS = 0.001  # shorter than the gaps in `forecast.records.bulk`
_WRITER_LOCK = 4_610_709  # any number, the same in every process of this service
_PAGES_AT_ONCE = 2_000  # eight megabytes, between which progress is told
_LOCK_NOT_AVAILABLE = "55P03"  # PostgreSQL's SQLSTATE for a wait that lasted too long


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
    def rebuilding(self) -> Iterator[Connection]:
        """Open a writing transaction in which tables may be made anew, for migrations alone.

        SQLite cannot alter a table in place, and would take the rows that cite a dropped one for
        broken; so there, foreign keys are looked at once, at the end.
        """
        with self._transaction("rebuild") as connection:
            yield connection
            if self._engine.dialect.name == "sqlite":
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
                if broken:
                    raise RecordsError(
                        f"{len(broken)} rows of {broken[0][0]} would cite nothing after the change "
                        "of the schema; nothing was changed, ask for help"
                    )

    @contextmanager
    def _transaction(self, mode: str) -> Iterator[Connection]:
        try:
            with (
                self._engine.connect().execution_options(**{_MODE: mode}) as connection,
                connection.begin(),
            ):
                yield connection
        except IntegrityError as error:
            # the caller knows which rule of its own was broken
            raise _without_values(error) from None
        except DatabaseError as error:
            raise RecordsError(_plain(error, self.url)) from error

    def forget_deleted(self, tables: Sequence[str]) -> None:
        """Write the tables anew, so that nothing which was deleted stands in their files any more.

        Others who write wait for it. What a server of PostgreSQL keeps elsewhere, its own log and
        back-ups, is out of reach.

        Raises
        ------
        RecordsError
            If somebody who reads is in the way for too long; what was deleted is gone all the same
            once the log of changes is next taken in.
        """
        raw = self._engine.raw_connection()
        try:
            if self._engine.dialect.name == "sqlite":
                _write_anew(raw.cursor(), self.url)
            else:
                driver: Any = raw.driver_connection
                driver.rollback()
                driver.autocommit = True
                driver.execute(f"VACUUM (FULL) {', '.join(tables)}")
                driver.autocommit = False
        except sqlite3.Error as error:
            raise RecordsError(f"the records could not be written anew: {error}") from error
        finally:
            raw.close()

    @property
    def place(self) -> str:
        """The URL of the database, for people: without a password."""
        return make_url(self.url).render_as_string(hide_password=True)

    @property
    def is_sqlite(self) -> bool:
        """Whether the records are in a file of SQLite."""
        return self._engine.dialect.name == "sqlite"

    def copy_file(self, target: sqlite3.Connection, tell: Callable[[float], None]) -> None:
        """Copy the whole file, as it stands now, into another that is open; of SQLite only.

        It goes on in one reading transaction: others write meanwhile, and none of it is copied.
        `tell` hears the share done.
        """

        def hear(_status: int, remaining: int, total: int) -> None:
            tell(1 - remaining / max(total, 1))

        raw = self._engine.raw_connection()
        try:
            source: Any = raw.driver_connection
            source.execute("BEGIN")
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()  # reading begins here
            source.backup(target, pages=_PAGES_AT_ONCE, progress=hear, sleep=0)
            source.execute("ROLLBACK")
        except sqlite3.Error as error:
            raise RecordsError(
                f"the records ({self.place}) could not be copied: {error}"
            ) from error
        finally:
            raw.close()

    @contextmanager
    def holding(self, lock: int) -> Iterator[Callable[[], None] | None]:
        """Hold a lock of the database server for as long as the context lasts, or hand out None.

        What is handed out looks whether it is still held, as it goes with its connection, and takes
        it again if need be; it raises `RecordsError` where another holds it meanwhile. SQLite has
        no server: there a lock on a file of the same folder must do, and this one is always had.
        """
        if self._engine.dialect.name == "sqlite":
            yield lambda: None
            return
        held = _ServerLock(self._engine, lock)
        try:
            yield held.look if held.take() else None
        finally:
            held.release()

    def close(self) -> None:
        """Give all connections back."""
        self._engine.dispose()


class _ServerLock:
    """An advisory lock of PostgreSQL, one for each schema, on a connection of its own."""

    def __init__(self, engine: Engine, lock: int) -> None:
        self._engine, self._lock = engine, lock
        self._connection: Any = None

    def take(self) -> bool:
        """Take the lock; False where another has it."""
        try:
            pooled = self._engine.raw_connection()
            self._connection = pooled.driver_connection
            pooled.detach()  # the pool would end its session's locks
            self._connection.autocommit = True
            words = "SELECT pg_try_advisory_lock(%s, hashtext(current_schema()))"
            answer = self._connection.execute(words, (self._lock,)).fetchone()
        except (self._errors, DatabaseError) as error:
            self.release()
            place = self._engine.url.render_as_string(hide_password=True)
            cause = str(error).strip().splitlines()[0]
            raise RecordsError(f"the records ({place}) could not be locked: {cause}") from None
        return bool(answer[0])

    def look(self) -> None:
        """Make sure that the lock is held."""
        if self._is_connected():
            return
        self.release()
        if not self.take():
            self.release()
            raise RecordsError(
                "the connection to the records was lost, and with it the lock on them, which "
                "another process holds now"
            )

    def _is_connected(self) -> bool:
        if self._connection is None:
            return False
        try:
            self._connection.execute("SELECT 1").fetchone()
        except self._errors:
            return False
        return True

    def release(self) -> None:
        """End the session, and with it the lock."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    @property
    def _errors(self) -> Any:
        return self._engine.dialect.loaded_dbapi.Error


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
    _log_changes_ahead(cursor)
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA secure_delete=ON")  # what is deleted is overwritten
    cursor.close()


def _log_changes_ahead(cursor: sqlite3.Cursor) -> None:
    """Set the journal of a file to WAL, once for ever; in a new file others may be about it too.

    SQLite does not wait for whom it finds at that, whatever its timeout says.
    """
    deadline = time.monotonic() + BUSY_TIMEOUT_SECONDS
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                raise
        time.sleep(_LOOKS_EVERY_SECONDS)


def _write_anew(cursor: Any, url: str) -> None:
    cursor.execute("PRAGMA query_only=OFF")
    cursor.execute("VACUUM")
    deadline = time.monotonic() + BUSY_TIMEOUT_SECONDS
    while cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]:
        if time.monotonic() > deadline:
            place = make_url(url).render_as_string(hide_password=True)
            raise RecordsError(
                f"the log of changes of the records ({place}) still holds what was deleted, as "
                "another process reads there; end it and erase again"
            )
        time.sleep(_LOOKS_EVERY_SECONDS)


def _begin_sqlite(connection: Connection) -> None:
    mode = connection.get_execution_options().get(_MODE)
    connection.exec_driver_sql(f"PRAGMA query_only={'OFF' if mode in _WRITING else 'ON'}")
    # without effect once a transaction is open, so it stands before it
    connection.exec_driver_sql(f"PRAGMA foreign_keys={'OFF' if mode == 'rebuild' else 'ON'}")
    if mode not in _WRITING:
        connection.exec_driver_sql("BEGIN")
        return
    connection.exec_driver_sql("PRAGMA busy_timeout=0")
    try:
        _begin_immediate(connection)
    finally:
        connection.exec_driver_sql(f"PRAGMA busy_timeout={BUSY_TIMEOUT_SECONDS * 1000:.0f}")


def _begin_immediate(connection: Connection) -> None:
    """Take the write lock as soon as it is free.

    SQLite's own waiting looks again after ever longer pauses, and so misses the short gaps that an
    import leaves between its batches.
    """
    deadline = time.monotonic() + BUSY_TIMEOUT_SECONDS
    while True:
        try:
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        except OperationalError as error:
            busy = getattr(error.orig, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > deadline:
                raise
            time.sleep(_LOOKS_EVERY_SECONDS)
        else:
            return


def _begin_postgresql(connection: Connection) -> None:
    if connection.get_execution_options().get(_MODE) in _WRITING:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL READ COMMITTED, READ WRITE")
        # by its own setting the server would wait for ever
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{BUSY_TIMEOUT_SECONDS * 1000:.0f}'")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITER_LOCK})")
    else:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")


def _without_values(error: IntegrityError) -> IntegrityError:
    """Return the error without the row, which PostgreSQL quotes in full: it may hold names."""
    assert error.orig is not None
    rule = type(error.orig)(_first_line(error))
    return IntegrityError(error.statement, None, rule, hide_parameters=True)


def _first_line(error: DatabaseError) -> str:
    return str(error.orig).strip().splitlines()[0]


def _plain(error: DatabaseError, url: str) -> str:
    place = make_url(url).render_as_string(hide_password=True)
    cause = _first_line(error)
    if "locked" in cause or getattr(error.orig, "sqlstate", None) == _LOCK_NOT_AVAILABLE:
        return (
            f"the records ({place}) were busy for {BUSY_TIMEOUT_SECONDS} s: another process of "
            "this service is writing; try again when it has finished"
        )
    return f"the records ({place}) could not be used: {cause}"
