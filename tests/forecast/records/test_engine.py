"""Transactions of the records: nothing lost, readers never in the way, no names in errors."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import traceback
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import insert, select, text
from sqlalchemy.exc import IntegrityError

from forecast.records import Records, RecordsError, engine, open_records
from forecast.records.tables import branch, dog, owner, visit

on_sqlite = pytest.mark.parametrize("database", ["sqlite"], indirect=True)
ROOT = Path(__file__).parents[3]
N_PROCESSES, N_TIMES = 3, 100
COUNT_UP = """
import sys
from sqlalchemy import text
from forecast.records.engine import Records
records = Records(sys.argv[1])
with records.reading():
    print("ready", flush=True)
sys.stdin.readline()
for _ in range(int(sys.argv[2])):
    with records.writing() as connection:
        value = connection.scalar(text("SELECT value FROM counter"))
        connection.execute(text("UPDATE counter SET value = :new"), {"new": value + 1})
"""
NORTH = {"id": "north", "name": "North", "region_id": "seoul", "open_days": "mon"}


@pytest.fixture
def counter(records) -> Iterator[None]:
    """Make a table with one number, 0, and drop it at the end."""
    with records.writing() as connection:
        connection.execute(text("CREATE TABLE counter (value INTEGER)"))
        connection.execute(text("INSERT INTO counter VALUES (0)"))
    yield
    with records.writing() as connection:
        connection.execute(text("DROP TABLE counter"))


@pytest.mark.usefixtures("counter")
def test_three_processes_that_read_then_write_lose_nothing(records):
    """Each reads a counter and writes it back one higher; every single step must be there.

    They begin together, once all are ready: one after the other they could lose nothing.
    """
    command = [sys.executable, "-c", COUNT_UP, records.url, str(N_TIMES)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    pipe = subprocess.PIPE
    running = [
        subprocess.Popen(command, env=environment, stdin=pipe, stdout=pipe, text=True)
        for _ in range(N_PROCESSES)
    ]
    assert [process.stdout.readline() for process in running] == ["ready\n"] * N_PROCESSES
    for process in running:
        process.stdin.write("go\n")
        process.stdin.flush()
    for process in running:
        process.communicate(timeout=60)
    assert [process.returncode for process in running] == [0] * N_PROCESSES
    with records.reading() as connection:
        total = connection.scalar(text("SELECT value FROM counter"))
    assert total == N_PROCESSES * N_TIMES


def test_a_reader_goes_on_while_somebody_writes_and_sees_one_state(records):
    """A reading transaction takes no write lock and does not see half of a change."""
    with records.reading() as reader:
        assert reader.scalars(select(branch.c.id)).all() == []
        with records.writing() as writer:
            writer.execute(insert(branch).values(NORTH))
        assert reader.scalars(select(branch.c.id)).all() == []
    with records.reading() as reader:
        assert reader.scalars(select(branch.c.id)).all() == ["north"]


def test_a_reading_transaction_cannot_write(records):
    """Reads are barred from writing, so a mistake shows at once and not as a lost write."""
    with (
        pytest.raises(RecordsError, match=r"read-?only"),
        records.reading() as connection,
    ):
        connection.execute(insert(branch).values(NORTH))
    with records.writing() as connection:  # the same connection may write again afterwards
        connection.execute(insert(branch).values(NORTH))


def test_a_transaction_that_fails_changes_nothing(records):
    """All or nothing, also where the failure is not the database's."""

    def fail_midway():
        with records.writing() as connection:
            connection.execute(insert(branch).values(NORTH))
            raise KeyError("midway")

    with pytest.raises(KeyError, match="midway"):
        fail_midway()
    with records.reading() as connection:
        assert connection.scalars(select(branch.c.id)).all() == []


@on_sqlite
def test_the_database_is_set_to_survive_a_power_cut(practice, monkeypatch):
    """Write-ahead log, full synchronisation (2), foreign keys on; as in use, not as in tests."""
    monkeypatch.setattr(engine, "_prepare_sqlite", engine._prepare_sqlite.__wrapped__)
    records = open_records(practice)
    with records.reading() as connection:
        pragmas = ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        held = {p: connection.exec_driver_sql(f"PRAGMA {p}").scalar() for p in pragmas}
    records.close()
    assert held == {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "busy_timeout": 30_000,
    }


def test_a_visit_of_an_unknown_branch_is_refused(records):
    """Foreign keys hold."""
    row = {"reference": "1", "branch_id": "nowhere", "kind": "other", "date": date(2024, 1, 2)}
    with pytest.raises(IntegrityError), records.writing() as connection:
        connection.execute(insert(visit).values(row))


def test_a_writer_that_waits_too_long_is_told_who_holds_it_up(practice, records, monkeypatch):
    """The sentence says that another process writes, and to try again; then it can write."""
    monkeypatch.setattr(engine, "BUSY_TIMEOUT_SECONDS", 0.1)
    impatient = Records(practice.records_url)

    def write():
        with impatient.writing() as connection:
            connection.execute(insert(branch).values(NORTH))

    with records.writing(), pytest.raises(RecordsError, match="another process"):
        write()
    write()
    impatient.close()


@pytest.mark.parametrize(
    ("table", "rows"),
    [
        (owner, [{"id": "1", "name": "Quillfeather"}] * 2),
        (owner, [{"id": None, "name": "Quillfeather"}]),
        (dog, [{"id": "1", "sex": "Quillfeather"}]),
    ],
    ids=["twice", "without an id", "against a rule"],
)
def test_an_error_of_the_database_holds_no_name(records, table, rows):
    """What fails to be written may be somebody's name; it must not reach a log or a sentence.

    The error's own text and that of its cause: PostgreSQL quotes the whole row there.
    """
    with pytest.raises(IntegrityError) as refused, records.writing() as connection:
        connection.execute(insert(table), rows)
    assert table.name in str(refused.value)
    assert "Quillfeather" not in str(refused.value)
    assert "Quillfeather" not in "".join(traceback.format_exception(refused.value))


@on_sqlite
def test_the_file_is_private(practice, records):
    """It holds names, so only its owner may read it."""
    assert stat.S_IMODE(practice.records_file.stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("sqlite://", "in memory"),
        ("sqlite:////no/such/folder/records.sqlite", "does not exist"),
        ("nonsense", "cannot be used"),
        ("mssql+nodriver://host/name", "cannot be used"),
    ],
)
def test_a_database_that_cannot_be_used_is_refused_in_a_sentence(url, words):
    """No traceback of the driver."""
    with pytest.raises(RecordsError, match=words):
        Records(url)


def test_a_file_that_is_no_database_is_refused_in_a_sentence(tmp_path):
    """A file of another kind under that name is not overwritten."""
    path = tmp_path / "records.sqlite"
    path.write_text("dear diary, " * 100)
    records = Records(f"sqlite:///{path}")
    with pytest.raises(RecordsError, match="not a database"), records.reading():
        pass
    assert path.read_text().startswith("dear diary")


def test_opening_again_keeps_the_locks_of_this_process(tmp_path: Path) -> None:
    """A second opening must not let another process think that it is alone with the file.

    Seen: a process that opened the records twice lost its locks at the second opening; another one
    then took itself for the last user, removed the write-ahead log, and the file was spoilt.
    """
    url = f"sqlite:///{tmp_path / 'records.sqlite'}"
    first = Records(url)
    with first.writing() as connection:
        connection.exec_driver_sql("CREATE TABLE counter (n INTEGER)")
        connection.exec_driver_sql("INSERT INTO counter VALUES (1)")
    second = Records(url)
    with second.reading() as connection:
        connection.exec_driver_sql("SELECT n FROM counter").all()
    second.close()
    Records(url).close()
    log = tmp_path / "records.sqlite-wal"
    assert log.exists()
    other = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); "
    other += "c.execute('SELECT n FROM counter').fetchall(); c.close()"
    subprocess.run([sys.executable, "-c", other, str(tmp_path / "records.sqlite")], check=True)
    assert log.exists(), "another process took itself for the only one"
    first.close()
