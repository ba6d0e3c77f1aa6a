"""Many rows at once: in small transactions, with gaps in which others write."""

from __future__ import annotations

import subprocess
import sys
import time
import traceback
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError

from forecast.records import tables
from forecast.records.bulk import ROWS_PER_BATCH, batches, insert_rows, new_ids

ROOT = Path(__file__).parents[3]
WRITER = """
import sys, time
from sqlalchemy import text
from forecast.records.engine import Records
records = Records(sys.argv[1])
waits = []
def write():
    began = time.perf_counter()
    with records.writing() as connection:
        waits.append(time.perf_counter() - began)
        connection.execute(text("UPDATE branch SET name = 'other' WHERE id = 'b'"))
write()
print("ready", flush=True)
waits.clear()
while not waits or not sys.stdin.closed:
    write()
    time.sleep(0.02)
    import select
    if select.select([sys.stdin], [], [], 0)[0]:
        break
print(max(waits))
"""


def n_dogs(records) -> int:
    with records.reading() as connection:
        return connection.scalar(select(func.count()).select_from(tables.dog))


def test_rows_keep_what_is_true_false_and_not_known(records):
    """As SQLAlchemy would have written them, so that it reads them back."""
    rows = [("a", "2019-02-03", True), ("b", None, False), ("c", None, None)]
    with records.writing() as connection:
        insert_rows(connection, tables.dog, ("id", "birth_date", "neutered"), rows)
        insert_rows(connection, tables.dog, ("id",), [])
    query = select(tables.dog.c.birth_date, tables.dog.c.neutered).order_by(tables.dog.c.id)
    with records.reading() as connection:
        held = [(str(day or ""), neutered) for day, neutered in connection.execute(query)]
    assert held == [("2019-02-03", True), ("", False), ("", None)]


def test_a_row_that_is_there_can_be_left_as_it_is(records):
    """Two that judge the same visit by the same definition do not trip over each other."""
    for breed in ("terrier", "spaniel"):
        with records.writing() as connection:
            insert_rows(connection, tables.dog, ("id", "breed"), [("a", breed)], unless_there=True)
    with records.reading() as connection:
        assert connection.scalars(select(tables.dog.c.breed)).all() == ["terrier"]


@pytest.mark.parametrize(
    "rows", [[("a", "Quillfeather"), ("a", "Quillfeather")], [(None, "Quillfeather")]]
)
def test_rows_that_break_a_rule_are_refused_without_being_quoted(records, rows):
    """As with any other way of inserting: what fails may be somebody's name."""
    with pytest.raises(IntegrityError) as refused, records.writing() as connection:
        insert_rows(connection, tables.owner, ("id", "name"), rows)
    assert "Quillfeather" not in "".join(traceback.format_exception(refused.value))
    with records.reading() as connection:
        assert connection.scalars(select(tables.owner.c.id)).all() == []


def test_ids_are_new_and_rise(records):
    """Also after a row that another way of inserting gave its id to."""
    row = {"subject": "x", "file_name": "x", "sha256": "x", "state": "live", "n_rows": 1}
    with records.writing() as connection:
        ids = list(new_ids(connection, tables.case_definition, 3))
        values = [(one, f"v{one}", "", "2024-01-01", False) for one in ids]
        columns = ("id", "version", "text", "made_at", "in_force")
        insert_rows(connection, tables.case_definition, columns, values)
        more = list(new_ids(connection, tables.case_definition, 2))
    assert len({*ids, *more}) == 5
    assert [*ids, *more] == sorted([*ids, *more])
    assert row["n_rows"] == 1


def test_batches_are_small_and_whole():
    """Nothing is lost at the seams."""
    rows = list(range(2 * ROWS_PER_BATCH + 1))
    parts = list(batches(rows))
    assert [len(part) for part in parts] == [ROWS_PER_BATCH, ROWS_PER_BATCH, 1]
    assert [row for part in parts for row in part] == rows


@pytest.mark.long
def test_another_process_writes_between_the_batches(records):
    """While 60,000 dogs come in, somebody else writes all the time and never waits a second."""
    with records.writing() as connection:
        row = {"id": "b", "name": "B", "region_id": "seoul", "open_days": "mon"}
        connection.execute(tables.branch.insert().values(row))
    pipe = subprocess.PIPE
    other = subprocess.Popen(
        [sys.executable, "-c", WRITER, records.url], stdin=pipe, stdout=pipe, text=True, cwd=ROOT
    )
    assert other.stdout.readline() == "ready\n"
    began = time.monotonic()
    for part in batches([(f"{number:06d}",) for number in range(60_000)]):
        with records.writing() as connection:
            insert_rows(connection, tables.dog, ("id",), part)
    spent = time.monotonic() - began
    told, _ = other.communicate("enough\n", timeout=60)
    assert n_dogs(records) == 60_000
    assert float(told) < min(1.0, spent)
