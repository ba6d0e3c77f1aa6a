"""Regions from the settings, branches and their days."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from forecast.practice import create_practice, template
from forecast.regions import Branch, RegionError, parse_open_days, parse_opening, regions

NOW = datetime(2024, 5, 31, 20, 0, tzinfo=UTC)


def test_regions_come_from_the_settings(tmp_path):
    """A region carries its place and its allergens."""
    found = regions(create_practice(tmp_path / "p", now=NOW))
    assert list(found) == ["seoul"]
    assert found["seoul"].latitude == 37.57
    assert found["seoul"].allergens == ("birch", "oak", "grasses", "ragweed")


def test_an_allergen_outside_the_catalogue_is_refused_with_the_nearest(tmp_path):
    """The name in the settings is checked against the science, not trusted."""
    text = template().replace('"ragweed"', '"ragwed"')
    practice = create_practice(tmp_path / "p", text, now=NOW)
    with pytest.raises(RegionError, match=r"region seoul .*'ragwed'.*did you mean 'ragweed'"):
        regions(practice)


def test_open_days_are_read_in_any_order():
    """Days are put in the order of the week; commas do as well as spaces."""
    assert parse_open_days("Fri, mon tue") == ("mon", "tue", "fri")


@pytest.mark.parametrize("text", ["", "mon tues", "1 2 3"])
def test_days_that_are_none_are_refused(text):
    """An unknown day, or none at all, names what is allowed."""
    with pytest.raises(RegionError, match="mon tue wed thu fri sat sun"):
        parse_open_days(text)


@pytest.mark.parametrize(
    ("text", "opening"),
    [
        ("mon-wed 8-18", "mon 08:00-18:00 tue 08:00-18:00 wed 08:00-18:00"),
        ("sat 9:00\N{EN DASH}12.30; Mon", "sat 09:00-12:30 mon"),
        ("mon, tue 14-18 8-12, wed 9-10", "mon 08:00-12:00 14:00-18:00 tue 08:00-12:00 "
         "14:00-18:00 wed 09:00-10:00"),
    ],
)  # fmt: skip
def test_hours_are_those_of_the_days_named_before_them(text, opening):
    """Written back they read the same."""
    branch = Branch("north", "North", "seoul", *parse_opening(text))
    assert branch.opening == opening
    assert parse_opening(branch.opening) == (branch.open_days, branch.hours)


@pytest.mark.parametrize(
    "text", ["8-18", "mon 18-8", "mon 8-24", "mon 8:60-9", "fri-mon 8-9", "mon 8-12 11-14"]
)
def test_hours_that_cannot_be_are_refused(text):
    """Of no day, backwards, past midnight, no minute, a week that ends before it begins, twice."""
    with pytest.raises(RegionError, match="such as mon-fri 8:00-18:00 sat 9:00-12:00"):
        parse_opening(text)


def test_a_branch_knows_the_days_it_opens():
    """1 January 2024 was a Monday, the 6th a Saturday."""
    branch = Branch("north", "North", "seoul", ("mon", "tue"))
    assert branch.is_open(date(2024, 1, 1))
    assert not branch.is_open(date(2024, 1, 6))
