"""Flare visits: the first itch-flare visit after 28 days without one."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.visits import VisitError
from forecast.visits.counting.episodes import with_roles


def roles(*rows: tuple[str, str, str], flare_free_days: int = 28) -> list[str]:
    frame = pd.DataFrame(rows, columns=["dog", "date", "kind"])
    frame["date"] = pd.to_datetime(frame["date"])
    return with_roles(frame, flare_free_days=flare_free_days)["role"].tolist()


@pytest.mark.parametrize(
    ("second", "role"),
    [
        ("2024-01-01", "recheck"),  # the same day
        ("2024-01-29", "recheck"),  # 28 days later: 27 days in between, 28 before it with a flare
        ("2024-01-30", "flare visit"),  # 2 to 29 January are 28 flare-free days
    ],
)
def test_an_episode_opens_after_28_flare_free_days(second, role):
    """The day of the last flare visit is not flare-free itself."""
    found = roles(("a", "2024-01-01", "itch flare"), ("a", second, "itch flare"))
    assert found == ["flare visit", role]


def test_a_recheck_for_itch_prolongs_the_episode():
    """Three weeks apart each: one long episode, not two."""
    found = roles(
        ("a", "2024-01-01", "itch flare"),
        ("a", "2024-01-22", "itch flare"),
        ("a", "2024-02-12", "itch flare"),
    )
    assert found == ["flare visit", "recheck", "recheck"]


def test_dogs_and_other_kinds_do_not_touch_each_other():
    """Another dog's flare, a recheck or a dose open and prolong nothing; order does not matter."""
    found = roles(
        ("a", "2024-03-01", "itch flare"),
        ("b", "2024-01-05", "itch flare"),
        ("a", "2024-02-20", "recheck"),
        ("a", "2024-01-01", "itch flare"),
        ("a", "2024-02-25", "scheduled dose"),
        (None, "2024-01-02", "other"),
    )
    assert found == [
        "flare visit", "flare visit", "recheck", "flare visit", "scheduled dose", "other",
    ]  # fmt: skip


def test_a_flare_without_its_dog_cannot_be_judged():
    """It is refused, not taken for a first one."""
    with pytest.raises(VisitError, match="have no dog"):
        roles((None, "2024-01-01", "itch flare"))


def test_an_episode_ends_after_the_days_that_the_definition_says():
    """Five weeks apart: two flare visits after 28 days, one where 40 are asked."""
    rows = (("a", "2024-01-01", "itch flare"), ("a", "2024-02-05", "itch flare"))
    assert roles(*rows) == ["flare visit", "flare visit"]
    assert roles(*rows, flare_free_days=40) == ["flare visit", "recheck"]


@given(st.lists(st.integers(0, 200), min_size=1, max_size=15))
def test_flare_visits_of_a_dog_have_28_days_free_of_flares_before_them(days):
    """For any series of flares: every first one has a free stretch, every other one has not."""
    frame = pd.DataFrame(
        {
            "dog": "a",
            "date": pd.Timestamp("2024-01-01") + pd.to_timedelta(sorted(days), unit="D"),
            "kind": "itch flare",
        }
    )
    found = with_roles(frame, flare_free_days=28)
    for number, row in enumerate(found.itertuples()):
        gaps = [(row.date - earlier).days for earlier in found["date"].iloc[:number]]
        free = all(gap > 28 for gap in gaps)
        assert (row.role == "flare visit") == free
