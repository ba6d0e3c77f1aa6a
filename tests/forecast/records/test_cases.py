"""Verdicts: added and never changed, counted by the definition in force, flipped at once."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pandas as pd
import pytest
from sqlalchemy import func, select

from forecast.records import RecordsError, tables
from forecast.records.bulk import insert_rows
from forecast.records.cases import (
    add_cases,
    definition_in_force,
    definitions,
    earlier_cases,
    keep_definition,
    kinds_changed,
    n_unjudged,
    newest_visit,
    put_in_force,
    unjudged,
)
from forecast.records.visits import VISIT_COLUMNS, VisitRows, add_visits, visits

AT = datetime(2024, 5, 31, tzinfo=UTC)


def verdicts(visit_ids: list[int], *kinds: str) -> pd.DataFrame:
    """Return verdicts on the first of some visits."""
    return pd.DataFrame(
        {"certainty": "none", "exclusion": "", "evidence": "", "kind": list(kinds)},
        index=visit_ids[: len(kinds)],
    )


@pytest.fixture
def ids(records) -> list[int]:
    """Keep two visits of a live import without a kind, one with and one without a note."""
    with records.writing() as connection:
        place = {"id": "n", "name": "N", "region_id": "seoul", "open_days": "mon"}
        connection.execute(tables.branch.insert().values(place))
        connection.execute(tables.dog.insert().values(id="rex"))
        columns = ("id", "subject", "file_name", "sha256", "state", "n_rows", "imported_at")
        values = [(1, "visits", "v", "x", "live", 2, "2024-05-31 00:00:00")]
        insert_rows(connection, tables.imported_file, columns, values)
    blank = dict.fromkeys(VISIT_COLUMNS)
    rows = [
        blank
        | {"reference": "1", "note": "itchy", "item_classes": '["recheck"]', "codes": '["D"]'},
        blank | {"reference": "2", "dog_id": "rex"},
    ]
    told = [tuple((r | {"date": "2024-01-02", "branch_id": "n"}).values()) for r in rows]
    add_visits(records, 1, VisitRows(told))
    with records.reading() as connection:
        return list(connection.scalars(select(tables.visit.c.id).order_by(tables.visit.c.id)))


def in_force(records) -> str:
    return definition_in_force(records).version


def test_visits_to_be_judged_come_as_the_definition_wants_them(records, ids):
    """A note that is not kept is missing, not empty."""
    kept = keep_definition(records, "one", "text", at=AT)
    (found,) = unjudged(records, kept.id)
    assert found.index.tolist() == ids
    assert found["patient"].tolist() == ["", "rex"]
    assert found["item_classes"].tolist() == [("recheck",), ()]
    assert found["codes"].tolist() == [("D",), ()]
    assert found["note"].tolist()[0] == "itchy"
    assert found["note"].isna().tolist() == [False, True]
    assert n_unjudged(records, kept.id) == 2
    add_cases(records, kept.id, verdicts(ids, "other"))
    assert [list(part.index) for part in unjudged(records, kept.id)] == [ids[1:]]


def test_counting_without_a_verdict_is_refused(records, ids):
    """A visit that nobody judged is neither a flare nor none."""
    kept = keep_definition(records, "one", "text", at=AT)
    add_cases(records, kept.id, verdicts(ids, "itch flare"))
    with pytest.raises(RecordsError, match=r"1 visits have no verdict.*forepaw visits define"):
        visits(records)


def test_a_new_definition_counts_from_its_flip_on_and_the_old_verdicts_stay(records, ids):
    """The first of all is in force at once; the second only when all is judged by it."""
    first = keep_definition(records, "one", "text", at=AT)
    add_cases(records, first.id, verdicts(ids, "itch flare", "other"))
    assert in_force(records) == "one"
    second = keep_definition(records, "two", "other text", at=AT)
    add_cases(records, second.id, verdicts(ids, "recheck", "other"))
    assert sorted(visits(records)["kind"]) == ["itch flare", "other"]
    assert put_in_force(records, second, judged_to=newest_visit(records))
    assert sorted(visits(records)["kind"]) == ["other", "recheck"]
    assert [(d.version, d.in_force) for d in definitions(records)] == [
        ("one", False),
        ("two", True),
    ]
    with records.reading() as connection:
        n_held = connection.scalar(select(func.count()).select_from(tables.visit_case))
    assert n_held == 4
    assert kinds_changed(records, first.id, second.id).values.tolist() == [
        ["itch flare", "recheck", 1],
        ["other", "other", 1],
    ]
    assert keep_definition(records, "one", "text", at=AT).id == first.id, "kept once"


def test_visits_that_came_after_the_judging_hold_the_flip_up(records, ids):
    """They are judged first; asked again, it flips."""
    keep_definition(records, "one", "text", at=AT)
    second = keep_definition(records, "two", "text", at=AT)
    assert not put_in_force(records, second, judged_to=newest_visit(records) - 1)
    assert in_force(records) == "one"


def test_the_last_verdict_of_a_visit_can_be_read(records, ids):
    """For those whose note is gone."""
    first = keep_definition(records, "one", "text", at=AT)
    second = keep_definition(records, "two", "text", at=AT)
    add_cases(records, first.id, verdicts(ids, "itch flare", "recheck"))
    add_cases(records, second.id, verdicts(ids, "other"))
    assert earlier_cases(records, ids)["kind"].tolist() == ["other", "recheck"]
    assert earlier_cases(records, [ids[1] + 7]).empty


def test_verdicts_go_with_their_visits(records, ids):
    """An import undone leaves none behind."""
    kept = keep_definition(records, "one", "text", at=AT)
    add_cases(records, kept.id, verdicts(ids, "itch flare", "other"))
    with records.writing() as connection:
        connection.execute(tables.visit.delete().where(tables.visit.c.date == date(2024, 1, 2)))
    with records.reading() as connection:
        assert connection.execute(select(tables.visit_case)).all() == []
