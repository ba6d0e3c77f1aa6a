"""Imports: rows are seen all at once or not at all."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import func, select

from forecast.records import RecordsError
from forecast.records import imports as imports_module
from forecast.records.branches import keep_branches
from forecast.records.bulk import ROWS_PER_BATCH
from forecast.records.imports import (
    accept,
    add_batches,
    flip,
    go_live,
    imported_files,
    record_import,
    standing_import,
    sweep_pending,
    undo_import,
)
from forecast.records.tables import visit
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


def n_rows(records) -> int:
    with records.reading() as connection:
        return connection.scalar(select(func.count()).select_from(visit))


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
    add_batches(records, "visits", import_id, rows("1"))
    add_batches(records, "visits", import_id, rows("2"))
    assert visits(records).empty
    assert standing_import(records, "visits", "abc") is None
    assert go_live(records, import_id)
    assert visits(records)["reference"].tolist() == ["1", "2"]
    assert standing_import(records, "visits", "abc").id == import_id


def test_of_two_imports_of_one_file_only_the_first_goes_live(records, begin):
    """Two desks that import the same file at once do not count its visits twice."""
    first, second = begin(), begin()
    add_batches(records, "visits", first, rows("1"))
    add_batches(records, "visits", second, rows("1"))
    assert go_live(records, second)
    assert not go_live(records, first)
    assert undo_import(records, first) == 1
    assert len(visits(records)) == 1


def test_an_undone_import_is_gone_and_its_file_may_come_again(records, begin):
    """Undoing hides all rows, deletes them, and forgets that the file was there."""
    import_id = begin()
    add_batches(records, "visits", import_id, rows("1", "2"))
    go_live(records, import_id)
    assert undo_import(records, import_id) == 2
    assert visits(records).empty
    assert standing_import(records, "visits", "abc") is None
    assert [f.state for f in imported_files(records)] == ["undone"]
    with pytest.raises(RecordsError, match="only a pending one"):
        go_live(records, import_id)


def test_the_newest_of_overlapping_exports_counts(records, begin):
    """A visit that comes again in a later file, corrected, is one visit, as last told."""
    first, second = begin("one"), begin("two")
    add_batches(records, "visits", first, rows("1", "2", kind="itch flare"))
    add_batches(records, "visits", second, rows("2", "3", kind="recheck"))
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
    add_batches(records, "visits", left, rows("1"))
    add_batches(records, "visits", under_way, rows("2"))
    assert sweep_pending(records, AT - timedelta(days=1)) == 1
    assert {f.sha256: f.state for f in imported_files(records)} == {
        "left": "undone",
        "under way": "pending",
    }
    assert go_live(records, under_way)
    assert visits(records)["reference"].tolist() == ["2"]


def test_the_write_lock_is_given_back_every_few_hundred_rows(records, begin, monkeypatch):
    """Nobody else who writes waits for a whole file."""
    import_id, held = begin(), []
    writing = type(records).writing

    def counted(self):
        held.append(1)
        return writing(self)

    monkeypatch.setattr(type(records), "writing", counted)
    add_batches(records, "visits", import_id, rows(*map(str, range(2 * ROWS_PER_BATCH + 1))))
    assert ROWS_PER_BATCH <= 500
    assert len(held) == 3


def test_nothing_sees_an_import_that_is_held_until_it_is_accepted(records, begin):
    """Why it was held stays on record; the same file does not come in beside it."""
    import_id, again = begin(), begin()
    add_batches(records, "visits", import_id, rows("1"))
    with records.writing() as connection:
        assert flip(connection, import_id, "held", ["flares are twice as many"])
    assert visits(records).empty
    assert standing_import(records, "visits", "abc").id == import_id
    assert not go_live(records, again)
    with records.writing() as connection:
        accept(connection, import_id)
    assert visits(records)["reference"].tolist() == ["1"]
    (held,) = [f for f in imported_files(records) if f.id == import_id]
    assert (held.state, held.held_because) == ("live", ("flares are twice as many",))


@pytest.mark.parametrize("state", ["pending", "live", "undone"])
def test_only_what_is_held_can_be_accepted(records, begin, state):
    """The sentence says what it is, and which command shows the others."""
    import_id = begin()
    if state == "live":
        go_live(records, import_id)
    if state == "undone":
        undo_import(records, import_id)
    with (
        pytest.raises(RecordsError, match=f"it is {state}, and only one that is held"),
        records.writing() as connection,
    ):
        accept(connection, import_id)


def test_an_undoing_that_was_killed_midway_is_completed_by_the_next_sweep(
    records, begin, monkeypatch
):
    """Its rows are hidden at once, and gone after the sweep."""
    import_id = begin()
    add_batches(records, "visits", import_id, rows("1"))
    go_live(records, import_id)

    def die(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(imports_module, "_delete_rows", die)
        with pytest.raises(KeyboardInterrupt):
            undo_import(records, import_id)
    assert visits(records).empty
    assert n_rows(records) == 1
    sweep_pending(records, AT)
    assert n_rows(records) == 0


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
