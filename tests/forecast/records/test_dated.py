"""What holds from a day on: homes, statuses, consent; and what a register without days means."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from forecast.homes import DISTANT, Home
from forecast.records import tables
from forecast.records.dated import (
    DOG_STATUSES,
    HOMES,
    OWNER_STATUSES,
    Said,
    consents_on,
    dog_statuses_on,
    home_frame,
    homes_at,
    homes_on,
    keep_consents,
    keep_said,
    left_on,
    new_homes,
    owner_statuses_on,
)

NORTH, SOUTH = Home("region", "north"), Home("region", "south")
FIRST, LATER, LAST = date(2023, 1, 2), date(2023, 6, 5), date(2024, 1, 8)


@pytest.fixture
def dogs(records) -> tuple[str, str]:
    with records.writing() as connection:
        connection.execute(tables.dog.insert(), [{"id": "a"}, {"id": "b"}])
    return "a", "b"


@pytest.fixture
def say(records):
    """Give a function that says something of one dog or owner on a day of import."""

    def said(kind, whose: str, value: tuple, since: date | None = None, today: date = LAST):
        with records.writing() as connection:
            keep_said(connection, kind, {whose: Said(value, since)}, today=today)

    return said


def lived(records, dog: str, *days: date) -> list[Home | None]:
    with records.reading() as connection:
        return [homes_on(connection, day).get(dog) for day in days]


def status(records, dog: str, *days: date) -> list[str | None]:
    with records.reading() as connection:
        return [dog_statuses_on(connection, day).get(dog) for day in days]


@pytest.mark.usefixtures("dogs")
def test_what_is_said_first_without_a_day_holds_from_the_beginning(records, say):
    """What is said otherwise later holds from the day it was brought in; nothing before changes."""
    say(HOMES, "a", ("region", "north"), today=LATER)
    assert lived(records, "a", date(1990, 1, 1), LATER) == [NORTH, NORTH]
    say(HOMES, "a", ("region", "south"), today=LAST)
    assert lived(records, "a", FIRST, LATER, date(2024, 1, 7), LAST) == [NORTH] * 3 + [SOUTH]
    assert lived(records, "b", LAST) == [None]


@pytest.mark.usefixtures("dogs")
def test_what_is_held_already_adds_no_row(records, say):
    """The same register every week is no move every week."""
    for day in (FIRST, LATER, LAST):
        say(HOMES, "a", ("distant", None), today=day)
        say(DOG_STATUSES, "a", ("active",), today=day)
    assert len(home_frame(records)) == 1
    assert lived(records, "a", FIRST) == [DISTANT]


@pytest.mark.usefixtures("dogs")
def test_a_day_that_a_file_gives_counts_whenever_it_is_brought_in(records, say):
    """The move of June is told after that of January, and stands between them."""
    say(HOMES, "a", ("region", "north"))
    say(HOMES, "a", ("distant", None), since=LAST)
    say(HOMES, "a", ("region", "south"), since=LATER)
    days = (FIRST, date(2023, 6, 4), LATER, date(2024, 1, 7), LAST)
    assert lived(records, "a", *days) == [NORTH, NORTH, SOUTH, SOUTH, DISTANT]


@pytest.mark.usefixtures("dogs")
def test_of_two_rows_of_one_day_the_last_to_come_counts(records, say):
    """A correction of the same day."""
    say(HOMES, "a", ("region", "north"), since=FIRST)
    say(HOMES, "a", ("region", "south"), since=FIRST)
    assert lived(records, "a", date(2023, 1, 1), FIRST) == [None, SOUTH]


@pytest.mark.usefixtures("dogs")
def test_the_day_on_which_a_dog_left_is_known_only_if_a_file_gave_it(records, say):
    """The day of an import is no day of death."""
    for dog in ("a", "b"):
        say(DOG_STATUSES, dog, ("active",), today=FIRST)
    say(DOG_STATUSES, "a", ("dead",), since=LATER)
    say(DOG_STATUSES, "b", ("dead",), today=LAST)
    assert status(records, "a", date(2023, 6, 4), LATER) == ["active", "dead"]
    assert status(records, "b", date(2024, 1, 7), LAST) == ["active", "dead"]
    with records.reading() as connection:
        assert left_on(connection, LAST) == {"a": LATER}
        assert left_on(connection, date(2023, 6, 4)) == {}
    say(DOG_STATUSES, "a", ("active",), today=LAST)
    with records.reading() as connection:
        assert left_on(connection, LAST) == {}, "it was a mistake: the dog is active again"


def test_owners_have_a_status_and_answers_too(records, say):
    """The newest answer by a day counts; one who was not asked has none."""
    say(OWNER_STATUSES, "o", ("moved",), since=LATER)
    with records.writing() as connection:
        keep_consents(connection, {"o": "yes", "p": "no"}, day=FIRST)
        keep_consents(connection, {"o": "no"}, day=LAST)
    with records.reading() as connection:
        assert owner_statuses_on(connection, FIRST) == {}
        assert owner_statuses_on(connection, LATER) == {"o": "moved"}
        assert consents_on(connection, LATER) == {"o": "yes", "p": "no"}
        assert consents_on(connection, LAST) == {"o": "no", "p": "no"}


@pytest.mark.usefixtures("dogs")
def test_homes_of_many_visits_are_found_at_once_as_one_by_one(records, say):
    """Also of visits without a dog, of unknown dogs, and in any order."""
    say(HOMES, "a", ("region", "north"))
    say(HOMES, "a", ("region", "south"), since=LATER)
    say(HOMES, "b", ("distant", None), since=LATER)
    asked = pd.DataFrame(
        {
            "dog": ["b", "a", None, "a", "x", "b"],
            "date": pd.to_datetime([LATER, LAST, LAST, FIRST, LAST, FIRST]),
        },
        index=[9, 4, 7, 1, 0, 2],
    )
    found = homes_at(home_frame(records), asked["dog"], asked["date"])
    assert found.index.tolist() == asked.index.tolist()
    assert found["place"].tolist() == [
        "distant", "region", "not known", "region", "not known", "not known",
    ]  # fmt: skip
    assert found["region"].tolist() == [None, "south", None, "north", None, None]


def test_homes_without_any_row_are_not_known(records):
    """A practice that knows no home at all."""
    asked = pd.DataFrame({"dog": ["a"], "date": pd.to_datetime([FIRST])})
    found = homes_at(home_frame(records), asked["dog"], asked["date"])
    assert found.values.tolist() == [["not known", None]]


def test_only_moves_make_rows():
    """Ten visits from one place are one home."""
    seen = [("a", FIRST, NORTH), ("b", FIRST, NORTH), ("a", LATER, NORTH), ("a", LAST, DISTANT)]
    assert new_homes(seen) == [
        ("a", "region", "north", "2023-01-02"),
        ("b", "region", "north", "2023-01-02"),
        ("a", "distant", None, "2024-01-08"),
    ]
