"""Where visits and dogs count: where the dog lived that day; far-off dogs flare in no region."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.homes import DISTANT, NOT_KNOWN, Home
from forecast.visits.counting.placing import last_branches, placed, region_of, spans_by_region

OF_BRANCH = {"n1": "north", "s1": "south"}
HOMES = pd.DataFrame(
    [
        ("a", None, "region", "north"),
        ("a", "2024-02-01", "region", "south"),
        ("a", "2024-03-01", "distant", None),
        ("b", None, "region", "south"),
    ],
    columns=["dog", "date", "place", "region"],
).assign(date=lambda f: pd.to_datetime(f["date"]))


def seen(*rows: tuple) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["dog", "date", "branch"])
    return frame.assign(date=pd.to_datetime(frame["date"]), dog=frame["dog"].astype(object))


def test_a_visit_counts_where_its_dog_lived_that_day():
    """Before the move in the north, after it in the south; the third time the dog lives far off."""
    visits = seen(
        ("a", "2024-01-31", "s1"), ("a", "2024-02-01", "n1"), ("a", "2024-03-01", "n1"),
        ("b", "2024-01-01", "n1"), (None, "2024-01-01", "n1"),
    )  # fmt: skip
    found = placed(visits, HOMES, OF_BRANCH, "branch region")
    assert found["region"].tolist() == ["north", "south", "north", "south", "north"]
    assert found["apart"].tolist() == [False, False, True, False, False]


@pytest.mark.parametrize(("rule", "apart"), [("branch region", False), ("apart", True)])
def test_what_an_unknown_home_means_is_the_practices_choice(rule, apart):
    """The visit stays in the volume of the branch's region either way; one without a dog too."""
    found = placed(
        seen(("c", "2024-01-01", "n1"), (None, "2024-01-01", "s1")), HOMES, OF_BRANCH, rule
    )
    assert found["region"].tolist() == ["north", "south"]
    assert found["apart"].tolist() == [apart, False]


@pytest.mark.parametrize(
    ("home", "rule", "region"),
    [
        (Home("region", "south"), "apart", "south"),
        (NOT_KNOWN, "branch region", "north"),
        (NOT_KNOWN, "apart", None),
        (DISTANT, "branch region", None),
    ],
)
def test_a_dog_has_the_weather_of_its_home(home, rule, region):
    """A branch stands in only for a home that is not known."""
    assert region_of(home, "north", rule) == region


def test_the_branch_that_saw_a_dog_last():
    """By day, whatever the order of the rows."""
    visits = seen(("a", "2024-03-01", "s1"), ("a", "2024-01-01", "n1"), (None, "2024-05-01", "n1"))
    assert last_branches(visits).to_dict() == {"a": "s1"}


def spans(rule: str, *rows: tuple) -> list[list]:
    dogs = pd.DataFrame(rows, columns=["dog", "since", "until", "branch"]).set_index("dog")
    dogs = dogs.assign(since=pd.to_datetime(dogs["since"]), until=pd.to_datetime(dogs["until"]))
    found = spans_by_region(dogs, HOMES, OF_BRANCH, rule).reset_index()
    return [
        [dog, *("" if pd.isna(day) else f"{day:%Y-%m-%d}" for day in (since, until)), region]
        for dog, since, until, region in found.itertuples(index=False)
    ]


def test_the_time_of_a_dog_that_moves_is_cut_into_spans():
    """North until 1 February, south until 1 March, then far off and in no region."""
    assert spans("branch region", ("a", "2024-01-10", None, "s1")) == [
        ["a", "2024-01-10", "2024-02-01", "north"],
        ["a", "2024-02-01", "2024-03-01", "south"],
        ["a", "2024-03-01", "", None],
    ]


def test_moves_outside_the_time_that_counts_cut_nothing():
    """A dog that counts from 5 to 20 February lived in one place then."""
    assert spans("branch region", ("a", "2024-02-05", "2024-02-20", "n1")) == [
        ["a", "2024-02-05", "2024-02-20", "south"]
    ]


def test_a_dog_whose_home_is_not_known_counts_at_its_branch_or_nowhere():
    """As the practice chose."""
    row = ("c", "2024-01-10", "2024-02-01", "s1")
    assert spans("branch region", row)[0][-1] == "south"
    assert spans("apart", row)[0][-1] is None
