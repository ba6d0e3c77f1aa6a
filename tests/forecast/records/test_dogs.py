"""Dogs and owners: known by random ids, named in two tables only."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
from sqlalchemy import insert, select

from forecast.records import RecordsError, strangers
from forecast.records.branches import branches, keep_branches
from forecast.records.dated import DOG_STATUSES, Said, keep_said
from forecast.records.dogs import (
    OwnerTold,
    dog,
    dog_ids,
    dogs,
    identity_of,
    keep_dogs,
    keep_owners,
    owner_of,
)
from forecast.records.imports import record_import, undo_import
from forecast.records.strangers import add_dogs_of, add_unregistered, sweep_unregistered
from forecast.records.tables import branch, metadata, owner, visit
from forecast.regions import Branch

IDENTITY_TABLES = {"owner", "dog_identity"}
DAY, AT = date(2024, 5, 31), datetime(2024, 5, 31, tzinfo=UTC)
NORTH = Branch("north", "North", "seoul", ("mon", "tue"))


@pytest.fixture
def rex(records) -> str:
    """One dog with an owner and a visit; return its random id."""
    with records.writing() as connection:
        keep_branches(connection, [NORTH])
        owners = keep_owners(
            connection, {"O1": OwnerTold("Ada Quillfeather", "ada@forepaw.invalid")}
        )
        values = {"owner_id": owners["O1"], "species": "dog"}
        ids = keep_dogs(connection, {"D1": ("Rex Thunderpaw", values)})
        keep_said(connection, DOG_STATUSES, {ids["D1"]: Said(("active",))}, today=DAY)
    dog_id = dog_ids(records)["D1"]
    with records.writing() as connection:
        connection.execute(
            insert(visit).values(
                reference="V1", date=date(2024, 1, 2), branch_id="north", dog_id=dog_id,
                kind="itch flare",
            )
        )  # fmt: skip
    return dog_id


def test_names_stand_in_the_identity_tables_only(records, rex):
    """Every cell of every other table is looked at."""
    found = set()
    with records.reading() as connection:
        for table in metadata.sorted_tables:
            cells = [str(cell) for row in connection.execute(select(table)) for cell in row]
            text = " ".join(cells)
            if any(name in text for name in ("Quillfeather", "Thunderpaw", "ada@", "D1", "O1")):
                found.add(table.name)
    assert found == IDENTITY_TABLES


def test_an_id_tells_nothing_of_the_dog(records, rex):
    """It is drawn at random, not made from the practice's number."""
    with records.writing() as connection:
        ids = add_unregistered(connection, ["D2", "D3"])
    assert len({rex, *ids.values()}) == 3
    assert all(len(i) == 16 and int(i, 16) >= 0 for i in ids.values())
    assert rex not in ids.values()


def test_printing_a_dog_or_owner_prints_no_name(records, rex):
    """A log line with an object in it stays harmless."""
    shown = f"{dog(records, rex, on=DAY)} {identity_of(records, rex)} {owner_of(records, rex)}"
    assert "Thunderpaw" not in shown
    assert "Quillfeather" not in shown
    assert identity_of(records, rex).name == "Rex Thunderpaw"
    assert owner_of(records, rex).contact == "ada@forepaw.invalid"


def test_what_is_not_known_stays_so(records, rex):
    """A field never filled is None, not a default that looks like an answer."""
    found = dog(records, rex, on=DAY)
    assert (found.breed, found.birth_date, found.sex, found.neutered) == (None, None, None, None)
    with records.writing() as connection:
        add_unregistered(connection, ["D9"])
    stranger = dog(records, dog_ids(records)["D9"], on=DAY)
    assert (stranger.species, stranger.status) == (None, "not known")


def test_an_update_keeps_the_id_and_what_it_does_not_mention(records, rex):
    """A second export brings a breed; species and name stay."""
    with records.writing() as connection:
        keep_dogs(connection, {"D1": ("", {"breed": "terrier"})})
    assert dog_ids(records) == {"D1": rex}
    found = dog(records, rex, on=DAY)
    assert (found.species, found.breed) == ("dog", "terrier")
    assert identity_of(records, rex).name == "Rex Thunderpaw"


def test_dogs_can_be_asked_for_by_status_and_an_unknown_id_is_refused(records, rex):
    """The dead are not among the active."""
    with records.writing() as connection:
        ids = keep_dogs(connection, {"D2": ("", {})})
        keep_said(connection, DOG_STATUSES, {ids["D2"]: Said(("dead",))}, today=DAY)
    assert [d.id for d in dogs(records, on=DAY, status="active")] == [rex]
    assert len(dogs(records, on=DAY)) == 2
    with pytest.raises(RecordsError, match="no such id"):
        dog(records, "nobody", on=DAY)


def test_only_dogs_without_any_record_are_swept(records, rex):
    """A stranger with a visit stays, one without goes, a registered dog stays."""
    with records.writing() as connection:
        ids = add_unregistered(connection, ["seen", "unseen"])
        connection.execute(
            insert(visit).values(
                reference="V2", date=date(2024, 1, 2), branch_id="north", dog_id=ids["seen"],
                kind="other",
            )
        )  # fmt: skip
    assert sweep_unregistered(records) == 1
    assert set(dog_ids(records)) == {"D1", "seen"}


def test_more_dogs_than_one_query_takes_are_told_apart(records, monkeypatch):
    """A group has more dogs than a database takes values: known ones are asked for in parts."""
    monkeypatch.setattr(strangers, "REFERENCES_PER_QUERY", 3)
    with records.writing() as connection:
        first = add_unregistered(connection, [f"D{number}" for number in range(7)])
        again = add_unregistered(connection, [*first, "one more"])
    assert len(set(first.values())) == 7
    assert again == first | {"one more": again["one more"]} == dog_ids(records)
    assert sweep_unregistered(records) == 8
    assert dog_ids(records) == {}


def test_dogs_that_visits_name_come_with_the_owners_they_name(records, rex):
    """A new owner for new dogs; one on record keeps its owner, one without gets it."""
    with records.writing() as connection:
        add_unregistered(connection, ["stray"])
    heard: list[int] = []
    ids = add_dogs_of(
        records, {"D1": "O9", "new": "O7", "sibling": "O7", "stray": "O8", "alone": ""},
        tell=heard.append,
    )  # fmt: skip
    assert dog_ids(records) == ids
    owners = {number: owner_of(records, dog_id) for number, dog_id in ids.items()}
    assert owners["D1"].reference == "O1", "the register's word"
    assert owners["new"] == owners["sibling"]
    assert (owners["new"].reference, owners["stray"].reference) == ("O7", "O8")
    assert owners["alone"] is None
    assert sum(heard) == 4
    assert add_dogs_of(records, {"new": "O7", "alone": ""}) == {
        "new": ids["new"],
        "alone": ids["alone"],
    }


def test_owners_without_a_dog_or_a_name_go_with_the_dogs_that_brought_them(records, rex):
    """Nothing is swept while an import is under way: its dogs come before their visits."""
    add_dogs_of(records, {"new": "O7"})
    with records.writing() as connection:
        import_id = record_import(
            connection, "visits", file_name="v", sha256="x", n_rows=1, at=AT, state="pending"
        )
    assert sweep_unregistered(records) == 0
    undo_import(records, import_id)
    assert sweep_unregistered(records) == 1
    with records.reading() as connection:
        assert connection.scalars(select(owner.c.reference)).all() == ["O1"]


def test_branches_are_brought_up_to_date_and_never_removed(records, rex):
    """A branch left out of a later list is still there: visits cite it."""
    moved = Branch("north", "North End", "seoul", ("wed",))
    south = Branch("south", "South", "seoul", ("fri", "sat"))
    with records.writing() as connection:
        keep_branches(connection, [south])
        keep_branches(connection, [moved])
    assert branches(records) == {"north": moved, "south": south}
    with records.reading() as connection:
        assert len(connection.execute(select(branch)).all()) == 2
