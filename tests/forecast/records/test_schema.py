"""The schema: shipped migrations make exactly the tables the code describes."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import CheckConstraint, text
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateTable

from forecast.records import Records, RecordsError, open_records
from forecast.records.schema import VERSION_TABLE, migrate, newest_known, schema_of
from forecast.records.tables import metadata


def test_migrating_an_empty_file_gives_the_tables_the_code_describes(records):
    """A column added to the tables without a migration fails here."""
    with records.reading() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, metadata) == []
        assert schema_of(connection) == newest_known()


def test_check_constraints_of_tables_and_migrations_agree(records):
    """The comparison above does not look at checks, so their texts are compared here."""
    with records.reading() as connection:
        rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type='table'"))
        made = {name: sql for name, sql in rows}
    for table in metadata.tables.values():
        for constraint in table.constraints:
            if isinstance(constraint, CheckConstraint):
                assert str(constraint.sqltext) in made[table.name]


def test_opening_again_changes_nothing(practice, records):
    """The second opening finds everything there."""
    with records.writing() as connection:
        connection.execute(text("INSERT INTO branch VALUES ('a', 'A', 'seoul', 'mon')"))
    again = open_records(practice)
    with again.reading() as connection:
        assert connection.scalar(text("SELECT count(*) FROM branch")) == 1


def test_records_of_a_newer_version_are_refused(practice, records):
    """Older code must not write into tables that it does not know."""
    with records.writing() as connection:
        connection.execute(text(f"UPDATE {VERSION_TABLE} SET version_num = '9999'"))
    with pytest.raises(RecordsError, match=r"schema 9999, made by a newer version.*install"):
        open_records(practice)


def test_two_that_open_a_new_file_at_once_do_not_trip_over_each_other(practice):
    """The write lock puts them in order; the second finds nothing to do."""
    both = [Records(practice.records_url) for _ in range(2)]
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(migrate, both))
    with both[0].reading() as connection:
        assert schema_of(connection) == newest_known()


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=lambda table: table.name)
def test_every_table_can_be_made_in_postgresql(table):
    """Nothing in the tables is of SQLite only; an unknown type would fail to compile."""
    statement = str(CreateTable(table).compile(dialect=postgresql.dialect()))
    assert f"CREATE TABLE {table.name}" in statement
