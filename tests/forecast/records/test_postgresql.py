"""The same records in PostgreSQL. Runs where FOREPAW_TEST_POSTGRESQL names an empty database."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import insert, text

from forecast.records import Records, RecordsError
from forecast.records.schema import VERSION_TABLE, migrate
from forecast.records.tables import branch, metadata

URL = os.environ.get("FOREPAW_TEST_POSTGRESQL")
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not URL, reason="FOREPAW_TEST_POSTGRESQL names no database"),
]
ROOT = Path(__file__).parents[3]
COUNT_UP = """
import sys
from sqlalchemy import text
from forecast.records.engine import Records
records = Records(sys.argv[1])
for _ in range(100):
    with records.writing() as connection:
        value = connection.scalar(text("SELECT value FROM counter"))
        connection.execute(text("UPDATE counter SET value = :new"), {"new": value + 1})
"""


@pytest.fixture
def records():
    opened = Records(str(URL))
    migrate(opened)
    yield opened
    with opened.writing() as connection:
        connection.execute(text("DROP TABLE IF EXISTS counter"))
    opened.close()


def test_the_migrations_make_the_same_tables_there(records):
    """One description serves both databases."""
    with records.reading() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, metadata) == []


def test_three_processes_lose_nothing_there_either(records):
    """The advisory lock puts writers in the order that BEGIN IMMEDIATE gives in SQLite."""
    with records.writing() as connection:
        connection.execute(text("CREATE TABLE counter (value INTEGER)"))
        connection.execute(text("INSERT INTO counter VALUES (0)"))
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path])}
    command = [sys.executable, "-c", COUNT_UP, str(URL)]
    running = [subprocess.Popen(command, env=environment) for _ in range(3)]
    assert [process.wait(timeout=120) for process in running] == [0, 0, 0]
    with records.reading() as connection:
        assert connection.scalar(text("SELECT value FROM counter")) == 300


def test_a_reading_transaction_cannot_write_there_either(records):
    """The database itself refuses."""
    row = {"id": "x", "name": "X", "region_id": "seoul", "open_days": "mon"}
    with pytest.raises(RecordsError), records.reading() as connection:
        connection.execute(insert(branch).values(row))
