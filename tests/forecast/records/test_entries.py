"""What is entered of a dog: written down with who and when, taken back whole, seen by the list."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from alembic import command
from sqlalchemy import insert, select, text

from forecast.records import tables
from forecast.records.care import (
    facts_of,
    reactions,
    scores_of,
    therapies_of,
    trials_of,
    vaccinations,
)
from forecast.records.dogs import add_unregistered
from forecast.records.entries import (
    TakenBackError,
    care_standing,
    dogs_since,
    enter,
    entered_of,
    last_entered,
    take_back,
    taken_back_of,
)
from forecast.records.imports import record_import
from forecast.records.schema import alembic_config, migrate

DAY = date(2024, 5, 30)
NOW = datetime(2024, 5, 31, 9, tzinfo=UTC)
SCORE = {"date": DAY, "pvas": 7.0, "scorer": "owner", "scale": "PVAS"}
DOSE = {"therapy": "anti_il31_antibody", "date": DAY, "status": "given", "reason": "itch"}


@pytest.fixture
def dogs(records) -> tuple[str, str]:
    """Give the ids of Rex and of another dog."""
    with records.writing() as connection:
        ids = add_unregistered(connection, {"D1": None, "D2": None})
    return ids["D1"], ids["D2"]


def entered(records, dog_id, *rows, at=NOW) -> str:
    with records.writing() as connection:
        return enter(connection, dog_id, rows, by="a1", at=at)


def taken_back(records, dog_id, entry, *, reason=None, at=NOW + timedelta(hours=1)):
    with records.writing() as connection:
        return take_back(connection, entry, dog_id=dog_id, by="a2", at=at, reason=reason)


def test_what_is_entered_at_a_desk_is_seen_and_says_whose_it_is(records, dogs):
    """The standing moves with an entry, whichever table it goes to; its dog is told."""
    rex, _ = dogs
    before = care_standing(records)
    assert dogs_since(records, before) == set()
    entered(records, rex, ("vaccination", {"date": DAY, "live": True}))
    after = care_standing(records)
    assert after.last != before.last
    assert after.imports == before.imports
    assert dogs_since(records, before) == {rex}
    assert vaccinations(records, dog_id=rex)["live"].tolist() == [True]
    assert vaccinations(records, dog_id="another").empty


def test_what_was_entered_at_once_is_taken_back_at_once_and_stays_on_record(records, dogs):
    """Trial, dose and score: none is left where it would count; who and when are kept."""
    rex, _ = dogs
    trial = ("response_trial", {"therapy": "anti_il31_antibody", "begun": DAY})
    entry = entered(records, rex, trial, ("therapy_event", DOSE), ("pruritus_score", SCORE))
    other = entered(
        records, rex, ("dog_fact", {"kind": "flea_control", "word": "yes", "date": DAY})
    )
    (of_trial, of_fact) = entered_of(records, rex)
    assert (of_trial.id, of_trial.at, of_trial.by) == (entry, NOW, "a1")
    done = taken_back(records, rex, entry, reason="another dog")
    assert therapies_of(records, rex) == []
    assert scores_of(records, rex) == []
    assert trials_of(records, rex) == []
    assert entered_of(records, rex) == [of_fact]
    assert of_fact.id == other
    assert set(facts_of(records, rex)) == {"flea_control"}
    (kept,) = taken_back_of(records, rex)
    assert kept == done
    assert kept.rows == of_trial.rows
    assert (kept.at, kept.by) == (NOW, "a1")
    assert (kept.taken_back.at, kept.taken_back.by) == (NOW + timedelta(hours=1), "a2")
    assert kept.taken_back.reason == "another dog"
    assert last_entered(records) == NOW + timedelta(hours=1)


def test_twice_or_of_another_dog_it_is_refused_and_nothing_changes(records, dogs):
    """One sentence each."""
    rex, other = dogs
    entry = entered(records, rex, ("pruritus_score", SCORE))
    with pytest.raises(TakenBackError, match="this dog does not have"):
        taken_back(records, other, entry)
    assert len(scores_of(records, rex)) == 1
    taken_back(records, rex, entry)
    with pytest.raises(TakenBackError, match="was taken back before"):
        taken_back(records, rex, entry)
    assert len(taken_back_of(records, rex)) == 1


def test_an_entry_whose_rows_have_gone_by_another_way_is_nothing_to_show(records, dogs):
    """Such as a status that was put right: the page shows the rest, and taking back says so."""
    rex, _ = dogs
    both = entered(records, rex, ("pruritus_score", SCORE), ("therapy_event", DOSE))
    alone = entered(records, rex, ("pruritus_score", SCORE | {"pvas": 3.0}))
    with records.writing() as connection:
        connection.execute(tables.pruritus_score.delete())
    assert [(one.id, len(one.rows)) for one in entered_of(records, rex)] == [(both, 1)]
    with pytest.raises(TakenBackError, match="no longer on record"):
        taken_back(records, rex, alone)
    assert [row.table for row in taken_back(records, rex, both).rows] == ["therapy_event"]


def test_the_row_of_a_file_that_an_entry_stood_before_counts_again(records, dogs):
    """The dose is declined by the file; the slip said given."""
    rex, _ = dogs
    with records.writing() as connection:
        file = {"file_name": "t.csv", "sha256": "x", "n_rows": 1, "at": NOW}
        import_id = record_import(connection, "therapies", **file)
        row = DOSE | {"dog_id": rex, "import_id": import_id, "status": "declined"}
        connection.execute(insert(tables.therapy_event).values(**row))
    assert entered_of(records, rex) == [], "what a file brought is the file's to correct"
    entry = entered(records, rex, ("therapy_event", DOSE))
    assert [one.status for one in therapies_of(records, rex)] == ["given"]
    taken_back(records, rex, entry)
    assert [one.status for one in therapies_of(records, rex)] == ["declined"]


def test_a_row_that_takes_the_number_of_one_taken_back_is_seen(records, dogs):
    """SQLite gives the number of a deleted last row again; the list must see both dogs."""
    rex, other = dogs
    entry = entered(records, rex, ("pruritus_score", SCORE))
    before = care_standing(records)
    taken_back(records, rex, entry)
    entered(records, other, ("pruritus_score", SCORE))
    assert dogs_since(records, before) == {rex, other}


def test_what_was_written_in_words_is_kept_apart(records, dogs):
    """So that it can be forgotten without the rest."""
    rex, _ = dogs
    told = {"therapy": "ciclosporin", "date": DAY, "sign": "sick, says Ada", "reported": False}
    entry = entered(records, rex, ("adverse_reaction", told))
    taken_back(records, rex, entry)
    assert reactions(records, dog_id=rex).empty
    table = tables.entry_taken_back
    with records.reading() as connection:
        row = connection.execute(select(table)).one()
    assert "Ada" not in str(row.said)
    assert row.in_words == "sick, says Ada"
    assert row.said[0]["values"]["reported"] is False


def test_what_was_entered_before_it_was_written_down_can_be_taken_back(records, dogs):
    """Records of the schema before; what a file brought is no entry."""
    rex, _ = dogs
    with records.rebuilding() as connection:
        command.downgrade(alembic_config(connection), "0015")
        connection.execute(
            text(
                "INSERT INTO imported_file (id, subject, file_name, sha256, state, n_rows, "
                "imported_at) VALUES (7, 'scores', 's', 'x', 'live', 1, '2024-01-02 00:00:00')"
            )
        )
        for import_id, pvas in (("7", 4), ("NULL", 5)):
            connection.execute(
                text(
                    "INSERT INTO pruritus_score (import_id, dog_id, date, pvas, scorer, scale) "
                    f"VALUES ({import_id}, '{rex}', '2024-05-30', {pvas}, 'vet', 'PVAS')"
                )
            )
        connection.execute(
            text(
                "INSERT INTO response_trial (dog_id, therapy, begun) "
                f"VALUES ('{rex}', 'x', '2024-05-30')"
            )
        )
    migrate(records)
    held = entered_of(records, rex)
    assert [(one.at, one.by, one.rows[0].table) for one in held] == [
        (None, None, "pruritus_score"),
        (None, None, "response_trial"),
    ]
    taken_back(records, rex, held[0].id)
    assert [one.pvas for one in scores_of(records, rex)] == [4.0]
    assert taken_back_of(records, rex)[0].at is None
