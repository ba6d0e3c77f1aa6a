"""Imports: rows are seen all at once or not at all."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from forecast.records import RecordsError
from forecast.records.branches import keep_branches
from forecast.records.imports import (
    ROWS_PER_BATCH,
    add_batch,
    go_live,
    imported_files,
    live_import,
    record_import,
    sweep_pending,
    undo_import,
)
from forecast.records.visits import visits
from forecast.regions import Branch

AT = datetime(2024, 6, 1, 8, tzinfo=UTC)


def rows(*references: str, kind: str = "other") -> list[dict]:
    return [
        {
            "reference": reference,
            "date": date(2024, 1, 2),
            "branch_id": "north",
            "dog_id": None,
            "kind": kind,
        }
        for reference in references
    ]


@pytest.fixture
def begin(records):
    """Give a function that begins an import of visits and returns its id."""
    with records.writing() as connection:
        keep_branches(connection, [Branch("north", "North", "seoul", ("mon",))])

    def begin_import(sha256: str = "abc", at: datetime = AT) -> int:
        with records.writing() as connection:
            return record_import(
                connection, "visits", file_name="v.csv", sha256=sha256, n_rows=2, at=at,
                state="pending",
            )  # fmt: skip

    return begin_import


def test_rows_of_an_import_are_seen_only_after_its_flip(records, begin):
    """Batches land unseen; the flip shows them all."""
    import_id = begin()
    add_batch(records, "visits", import_id, rows("1"))
    add_batch(records, "visits", import_id, rows("2"))
    assert visits(records).empty
    assert live_import(records, "visits", "abc") is None
    assert go_live(records, import_id)
    assert visits(records)["reference"].tolist() == ["1", "2"]
    assert live_import(records, "visits", "abc").id == import_id


def test_of_two_imports_of_one_file_only_the_first_goes_live(records, begin):
    """Two desks that import the same file at once do not count its visits twice."""
    first, second = begin(), begin()
    add_batch(records, "visits", first, rows("1"))
    add_batch(records, "visits", second, rows("1"))
    assert go_live(records, second)
    assert not go_live(records, first)
    assert undo_import(records, first) == 1
    assert len(visits(records)) == 1


def test_an_undone_import_is_gone_and_its_file_may_come_again(records, begin):
    """Undoing hides all rows, deletes them, and forgets that the file was there."""
    import_id = begin()
    add_batch(records, "visits", import_id, rows("1", "2"))
    go_live(records, import_id)
    assert undo_import(records, import_id) == 2
    assert visits(records).empty
    assert live_import(records, "visits", "abc") is None
    assert [f.state for f in imported_files(records)] == ["undone"]
    with pytest.raises(RecordsError, match="only a pending one"):
        go_live(records, import_id)


def test_the_newest_of_overlapping_exports_counts(records, begin):
    """A visit that comes again in a later file, corrected, is one visit, as last told."""
    first, second = begin("one"), begin("two")
    add_batch(records, "visits", first, rows("1", "2", kind="itch flare"))
    add_batch(records, "visits", second, rows("2", "3", kind="recheck"))
    go_live(records, first)
    go_live(records, second)
    found = visits(records).set_index("reference")["kind"].to_dict()
    assert found == {"1": "itch flare", "2": "recheck", "3": "recheck"}
    undo_import(records, second)
    found = visits(records).set_index("reference")["kind"].to_dict()
    assert found == {"1": "itch flare", "2": "itch flare"}


def test_what_a_killed_process_left_is_swept_and_what_goes_on_is_not(records, begin):
    """Only imports pending since before the moment given are taken back."""
    left, under_way = begin("left", AT - timedelta(days=2)), begin("under way", AT)
    add_batch(records, "visits", left, rows("1"))
    add_batch(records, "visits", under_way, rows("2"))
    assert sweep_pending(records, AT - timedelta(days=1)) == 1
    assert {f.sha256: f.state for f in imported_files(records)} == {
        "left": "undone",
        "under way": "pending",
    }
    assert go_live(records, under_way)
    assert visits(records)["reference"].tolist() == ["2"]


def test_a_batch_that_would_hold_the_lock_too_long_is_refused(records, begin):
    """The write lock is given back every 5,000 rows."""
    assert ROWS_PER_BATCH == 5_000
    with pytest.raises(RecordsError, match="at most 5000"):
        add_batch(records, "visits", begin(), rows("1") * 5_001)


def test_what_is_kept_up_to_date_in_place_cannot_be_undone(records):
    """Branches and dogs are corrected by a corrected file."""
    with records.writing() as connection:
        import_id = record_import(
            connection, "branches", file_name="b.csv", sha256="x", n_rows=1, at=AT
        )
    with pytest.raises(RecordsError, match="import a corrected file"):
        undo_import(records, import_id)
    with pytest.raises(RecordsError, match="no such import"):
        undo_import(records, 999)
