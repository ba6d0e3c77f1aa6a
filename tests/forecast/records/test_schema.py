"""The schema: shipped migrations make exactly the tables the code describes."""

from __future__ import annotations

import itertools
import os
import re
from concurrent.futures import ThreadPoolExecutor

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import CheckConstraint, Connection, insert, inspect, text
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import IntegrityError
from sqlalchemy.schema import CreateTable

from forecast.practice import Practice, create_practice, template
from forecast.records import Records, RecordsError, open_records
from forecast.records.schema import (
    VERSION_TABLE,
    alembic_config,
    migrate,
    newest_known,
    schema_of,
)
from forecast.records.tables import branch, dog, metadata

IS_WHOLE = os.environ.get("FOREPAW_LONG") == "whole"


@pytest.fixture
def practice(tmp_path, new_database) -> Practice:
    """Give a practice whose records have never been opened."""
    return create_practice(tmp_path / "practice", template() + new_database)


def test_migrating_an_empty_file_gives_the_tables_the_code_describes(records):
    """A column added to the tables without a migration fails here."""
    with records.reading() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, metadata) == []
        assert schema_of(connection) == newest_known()


def words_and_numbers(condition: str) -> set[str]:
    """Return what a condition compares with, however a database writes it down."""
    return set(re.findall(r"'[^']*'|\b\d+\b", condition))


def test_check_constraints_of_tables_and_migrations_agree(records):
    """The comparison above does not look at checks, so what they compare with is compared here."""
    with records.reading() as connection:
        held = inspect(connection)
        for table in metadata.sorted_tables:
            made = {
                check["name"]: words_and_numbers(check["sqltext"])
                for check in held.get_check_constraints(table.name)
            }
            told = {
                f"{check.name}": words_and_numbers(f"{check.sqltext}")
                for check in table.constraints
                if isinstance(check, CheckConstraint)
            }
            assert made == told


def test_going_down_leaves_nothing_and_up_again_all(records):
    """Every table goes, also where others cite it; the migrations then make the same again."""
    with records.writing() as connection:
        place = {"id": "a", "name": "A", "region_id": "seoul", "open_days": "mon"}
        connection.execute(insert(branch).values(place))
        connection.execute(insert(dog).values(id="b", branch_id="a"))
    with records.rebuilding() as connection:
        command.downgrade(alembic_config(connection), "base")
    with records.reading() as connection:
        assert inspect(connection).get_table_names() == [VERSION_TABLE]
        assert schema_of(connection) is None
    migrate(records)
    with records.reading() as connection:
        assert schema_of(connection) == newest_known()
        assert connection.scalar(text("SELECT count(*) FROM branch")) == 0


FIRST_SCHEMA = """
INSERT INTO branch VALUES ('a', 'A', 'seoul', 'mon');
INSERT INTO dog (id, status, home_region, branch_id) VALUES ('b', 'dead', 'seoul', 'a');
INSERT INTO dog (id, status) VALUES ('c', 'not known');
INSERT INTO imported_file VALUES (7, 'visits', 'v', 'x', 'live', 1, '2024-01-02 00:00:00');
INSERT INTO visit VALUES (1, 7, 'V1', '2024-01-02', 'a', 'b', 'itch flare');
"""
SECOND_SCHEMA = """
INSERT INTO imported_file (id, subject, file_name, sha256, state, n_rows, imported_at)
VALUES (8, 'visits', 'w', 'y', 'held', 1, '2024-02-02 00:00:00');
INSERT INTO visit (id, import_id, reference, date, branch_id, dog_id, note)
VALUES (2, 8, 'V2', '2024-02-02', 'a', 'c', 'itchy'), (3, 7, 'V3', '2024-02-02', 'a', 'c', '');
INSERT INTO case_definition VALUES (1, 'old', '', '2024-01-02 00:00:00', false);
INSERT INTO case_definition VALUES (2, 'new', '', '2024-01-02 00:00:00', true);
INSERT INTO visit_case VALUES (2, 1, 'none', '', '', 'other'), (3, 1, 'none', '', '', 'other');
INSERT INTO visit_case VALUES (2, 2, 'definite', '', 'itchy', 'itch flare');
INSERT INTO home (dog_id, place, region_id, from_date) VALUES
('c', 'region', 'busan', '2023-01-02'), ('c', 'distant', NULL, '2022-01-02');
INSERT INTO dog_status (dog_id, status, date, day_given) VALUES ('c', 'left', '2024-01-02', true);
INSERT INTO dog_status (dog_id, status, day_given) VALUES ('c', 'active', false);
"""


def run(connection: Connection, statements: str) -> None:
    for statement in statements.strip().rstrip(";").split(";"):
        connection.execute(text(statement))


def read(connection: Connection, query: str) -> list[tuple]:
    return [tuple(row) for row in connection.execute(text(query))]


def test_what_the_first_schema_held_is_there_after_the_second_and_back(practice, records):
    """Status and home of a dog hold from the beginning; what is newest goes back."""
    with records.rebuilding() as connection:
        command.downgrade(alembic_config(connection), "0001")
        run(connection, FIRST_SCHEMA)
        command.upgrade(alembic_config(connection), "0002")
    with records.reading() as connection:
        assert read(connection, "SELECT dog_id, status, date FROM dog_status") == [
            ("b", "dead", None)
        ]
        homes = "SELECT dog_id, place, region_id, from_date, import_id FROM home"
        assert read(connection, homes) == [("b", "region", "seoul", None, None)]
        assert read(connection, "SELECT kind, dog_id FROM visit") == [("itch flare", "b")]
    with records.rebuilding() as connection:
        run(connection, SECOND_SCHEMA)
        command.downgrade(alembic_config(connection), "0001")
    with records.reading() as connection:
        assert read(connection, "SELECT id, status, home_region FROM dog ORDER BY id") == [
            ("b", "dead", "seoul"),
            ("c", "left", "busan"),
        ]
        assert read(connection, "SELECT id, kind FROM visit ORDER BY id") == [
            (1, "itch flare"),
            (2, "itch flare"),
            (3, "other"),
        ]
        assert read(connection, "SELECT id, state FROM imported_file ORDER BY id") == [
            (7, "live"),
            (8, "pending"),
        ]
    migrate(records)
    with pytest.raises(IntegrityError), records.writing() as connection:
        run(connection, "INSERT INTO visit_case VALUES (99, 1, 'none', '', '', 'other')")


THIRD_SCHEMA = """
INSERT INTO job_run (id, job, local_date, state, started_at, started_by, progress)
VALUES ('r', 'issue', '2024-03-01', 'done', '2024-03-01 05:00:00', 'clock', 1.0);
INSERT INTO job_run (id, job, local_date, state, started_at)
VALUES ('q', 'issue', '2024-02-01', 'done', '2024-02-01 05:00:00');
INSERT INTO work_request (id, kind, arguments, asked_by, asked_at, state, run_id)
VALUES ('w', 'issue', 'null', 'command line', '2024-03-01 05:00:00', 'done', 'r');
INSERT INTO notice (id, about, sentence, since, n_attempts)
VALUES ('n', 'pull', 'it failed', '2024-03-01 05:00:00', 0);
"""
SCHEMAS = ("0001", "0002", "0003", "0004", "0005", "0006", "0007", "0011", newest_known())
FIFTH_SCHEMA = """
INSERT INTO pruritus_score (id, dog_id, date, pvas, scorer)
VALUES (1, 'c', '2024-03-01', 4.5, 'owner'), (2, 'b', '2024-03-02', 0, 'vet');
"""
SEVENTH_SCHEMA = """
INSERT INTO pruritus_score (id, dog_id, date, pvas, scorer, scale)
VALUES (3, 'c', '2024-03-05', 7, 'owner', 'spoken');
INSERT INTO adverse_reaction (id, dog_id, therapy, date) VALUES (1, 'c', 'x', '2024-03-05');
INSERT INTO medicine (id, import_id, dog_id, kind, date) VALUES (1, 7, 'c', 'nsaid', '2024-03-05');
"""
ELEVENTH_SCHEMA = """
INSERT INTO staff_member VALUES ('m', '2024-03-05 00:00:00');
INSERT INTO staff_identity VALUES ('m', 'S1', 'Ada');
INSERT INTO staff_terms
(id, staff_id, from_date, skills, branch_id, also_at, hours_week, recorded_at, recorded_by)
VALUES (1, 'm', '2024-03-05', '["vet"]', 'a', '[]', 40, '2024-03-05 00:00:00', 'x');
INSERT INTO staff_leave (id, staff_id, first, last, recorded_at, recorded_by)
VALUES (1, 'm', '2024-03-05', '2024-03-06', '2024-03-05 00:00:00', 'x');
"""
# What is put in on reaching a schema, and stays for every later one.
FILLINGS = {
    "0001": FIRST_SCHEMA,
    "0002": SECOND_SCHEMA,
    "0003": THIRD_SCHEMA,
    "0005": FIFTH_SCHEMA,
    "0007": SEVENTH_SCHEMA,
    "0011": ELEVENTH_SCHEMA,
}
KEPT_BY_ALL = {
    "branch": "SELECT id, name, region_id, open_days FROM branch ORDER BY id",
    "dog": "SELECT id, branch_id FROM dog ORDER BY id",
    "visit": "SELECT id, import_id, reference, date, branch_id, dog_id FROM visit ORDER BY id",
    "run": "SELECT id, job, state, started_at FROM job_run ORDER BY id",
    "score": "SELECT id, dog_id, date, pvas, scorer FROM pruritus_score WHERE id < 3 ORDER BY id",
}


def filled_at(connection: Connection, schema: str) -> None:
    """Bring empty records to a schema, with the rows of each schema on the way."""
    command.downgrade(alembic_config(connection), "base")
    for revision in sorted(set(SCHEMAS)):
        if revision <= schema:
            command.upgrade(alembic_config(connection), revision)
            if revision in FILLINGS:
                run(connection, FILLINGS[revision])


def structure(connection: Connection) -> dict[str, tuple]:
    """Return tables, columns, keys, indexes and checks, as the database itself tells them."""
    held = inspect(connection)
    return {
        table: (
            sorted((c["name"], str(c["type"]), c["nullable"]) for c in held.get_columns(table)),
            held.get_pk_constraint(table)["constrained_columns"],
            sorted(
                (key["constrained_columns"], key["referred_table"])
                for key in held.get_foreign_keys(table)
            ),
            sorted((str(i["name"]), i["column_names"]) for i in held.get_indexes(table)),
            sorted(
                (str(check["name"]), sorted(words_and_numbers(check["sqltext"])))
                for check in held.get_check_constraints(table)
            ),
        )
        for table in held.get_table_names()
    }


def every_move() -> list:
    """Return pairs of schemas: every pair with FOREPAW_LONG=whole, else single steps and leaps.

    A move is made of single steps, so that the steps, and the leaps to the newest schema and from
    it, meet all there is; the default tests make the leaps of the oldest and the last before.
    """
    known = sorted(set(SCHEMAS))
    newest, often = known[-1], (known[0], known[-2], known[-1])
    moves = []
    for start, target in itertools.product(known, repeat=2):
        is_default = newest in (start, target) and start in often and target in often
        is_step = abs(known.index(start) - known.index(target)) == 1
        if is_default or is_step or newest in (start, target) or IS_WHOLE:
            moves.append(pytest.param(start, target, marks=[] if is_default else pytest.mark.long))
    return moves


@pytest.mark.parametrize(("start", "target"), every_move())
def test_from_each_schema_to_each_rows_go_along(practice, records, start, target):
    """Up or down: the tables are those of the target made anew, and what both hold is there."""
    with records.rebuilding() as connection:
        command.downgrade(alembic_config(connection), "base")
        command.upgrade(alembic_config(connection), target)
        wanted = structure(connection)
    with records.rebuilding() as connection:
        filled_at(connection, start)
        before = {name: read(connection, query) for name, query in KEPT_BY_ALL.items()}
        move = command.upgrade if target >= start else command.downgrade
        move(alembic_config(connection), target)
        assert {name: read(connection, query) for name, query in KEPT_BY_ALL.items()} == before
        assert structure(connection) == wanted
    with records.reading() as connection:
        assert schema_of(connection) == target
    migrate(records)
    with records.reading() as connection:
        assert {name: read(connection, query) for name, query in KEPT_BY_ALL.items()} == before
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, metadata) == []


@pytest.mark.parametrize("new_database", ["sqlite"], indirect=True)
def test_a_rebuilding_that_would_leave_rows_citing_nothing_is_taken_back(records):
    """SQLite is not asked row by row there, so it is asked at the end."""

    def break_it():
        with records.rebuilding() as connection:
            run(connection, "INSERT INTO dog (id, branch_id) VALUES ('b', 'nowhere')")

    with pytest.raises(RecordsError, match="1 rows of dog would cite nothing"):
        break_it()
    with records.reading() as connection:
        assert read(connection, "SELECT id FROM dog") == []


def test_opening_again_changes_nothing(practice, records):
    """The second opening finds everything there."""
    with records.writing() as connection:
        place = {"id": "a", "name": "A", "region_id": "seoul", "open_days": "mon"}
        connection.execute(insert(branch).values(place))
    again = open_records(practice)
    with again.reading() as connection:
        assert connection.scalar(text("SELECT count(*) FROM branch")) == 1
    again.close()


def test_records_of_a_newer_version_are_refused(practice, records):
    """Older code must not write into tables that it does not know."""
    with records.writing() as connection:
        connection.execute(text(f"UPDATE {VERSION_TABLE} SET version_num = '9999'"))
    with pytest.raises(RecordsError, match=r"schema 9999, made by a newer version.*install"):
        open_records(practice)


def test_scores_of_before_are_of_the_line_and_spoken_ones_do_not_go_back(practice, records):
    """The heading they came under was pvas; without a scale a spoken score would pass for one."""
    scales = "SELECT id, scale FROM pruritus_score ORDER BY id"
    with records.rebuilding() as connection:
        filled_at(connection, "0006")
        command.upgrade(alembic_config(connection), "0007")
        assert read(connection, scales) == [(1, "PVAS"), (2, "PVAS")]
        run(connection, SEVENTH_SCHEMA)
        command.downgrade(alembic_config(connection), "0006")
        assert read(connection, "SELECT id FROM pruritus_score ORDER BY id") == [(1,), (2,)]
    migrate(records)
    with pytest.raises(IntegrityError), records.writing() as connection:
        run(
            connection,
            "INSERT INTO medicine (id, dog_id, kind, date) VALUES (9, 'c', 'x', '2024-01-01')",
        )


def test_two_that_open_a_new_file_at_once_do_not_trip_over_each_other(practice):
    """The write lock puts them in order; the second finds nothing to do."""
    both = [Records(practice.records_url) for _ in range(2)]
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(migrate, both))
    with both[0].reading() as connection:
        assert schema_of(connection) == newest_known()
    for opened in both:
        opened.close()


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=lambda table: table.name)
def test_every_table_can_be_made_in_postgresql(table):
    """Nothing in the tables is of SQLite only; an unknown type would fail to compile."""
    statement = str(CreateTable(table).compile(dialect=postgresql.dialect()))
    assert f"CREATE TABLE {table.name}" in statement


HANDED_OVER = """
INSERT INTO dog (id, owner_id) VALUES ('rex', 'ada'), ('mo', NULL);
INSERT INTO settings_text (sha256, text) VALUES ('S', '');
INSERT INTO issue (id, issued_at, origin, kind, model_hash, settings_sha256, seed, file,
file_sha256, climate_snapshot) VALUES
('i', '2024-01-02 00:00:00', '2024-01-02', 'issued', 'm', 'S', 1, 'f', 'h', 's');
INSERT INTO dose_plan (id, dog_id, issue_id, therapy, state, made_at, uncovered_weeks, reasons)
VALUES ('p', 'rex', 'i', 'ciclosporin', 'accepted', '2024-01-02 00:00:00', '[]', '[]'),
('q', 'rex', 'i', 'anti_il31_antibody', 'accepted', '2024-01-02 00:00:00', '[]', '[]');
INSERT INTO handover (dog_id, plan_id, kind, at, events) VALUES
('rex', 'p', 'calendar', '2024-01-02 00:00:00', '[]'),
('rex', 'q', 'calendar', '2024-01-02 00:00:00', '[]'),
('rex', NULL, 'cancellation', '2024-01-03 00:00:00', '[]'),
('mo', NULL, 'letter', '2024-01-03 00:00:00', '[]');
"""


def test_what_went_out_before_is_of_the_owner_and_the_therapy_that_can_be_told(practice, records):
    """Of its plan's class; a cancellation of that before it. Back again, the rows are all there."""
    columns = "SELECT dog_id, plan_id, kind FROM handover ORDER BY id"
    with records.rebuilding() as connection:
        command.downgrade(alembic_config(connection), "0014")
        run(connection, HANDED_OVER)
        before = read(connection, columns)
        command.upgrade(alembic_config(connection), "0015")
    with records.reading() as connection:
        query = "SELECT kind, owner_id, therapy, form_key FROM handover ORDER BY id"
        assert read(connection, query) == [
            ("calendar", "ada", "ciclosporin", None),
            ("calendar", "ada", "anti_il31_antibody", None),
            ("cancellation", "ada", "anti_il31_antibody", None),
            ("letter", None, "", None),
        ]
    with records.rebuilding() as connection:
        command.downgrade(alembic_config(connection), "0014")
    with records.reading() as connection:
        assert read(connection, columns) == before
