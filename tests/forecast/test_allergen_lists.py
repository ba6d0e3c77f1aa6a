"""Regions' lists beside the proposal, on the sample's real weather of Seoul and Jeju."""

from __future__ import annotations

from datetime import date

import pytest

import sample_climate
from forecast.allergen_lists import review_lists
from forecast.climate import open_climate
from forecast.practice import create_practice, template
from forecast.records import open_records
from jobs.imports import import_file

LISTED = '["birch", "olive", "grasses", "alternaria", "house_dust_mites"]'
JEJU = """
[[region]]
id = "jeju"
name = "Jeju"
latitude = 33.51
longitude = 126.53
elevation = 20.0
time_zone = "Asia/Seoul"
allergens = ["japanese_cedar"]
"""


def practice_at(folder):
    text = template().replace('["birch", "oak", "grasses", "ragweed"]', LISTED) + JEJU
    return create_practice(folder, text)


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    practice = practice_at(tmp_path_factory.mktemp("lists") / "practice")
    import_file(practice, "weather", sample_climate.FOLDER / sample_climate.WEATHER_FILE)
    return review_lists(
        practice, open_records(practice), open_climate(practice), origin=date(2023, 3, 1)
    )


def ids(items):
    return {item.proposal.allergen.id for item in items}


def test_the_list_is_laid_beside_the_proposal(review):
    """Olive cannot grow in Seoul; alder, oak and mugwort are likely there and not on the list."""
    seoul = review.regions[0]
    assert ids(seoul.unlikely_but_listed) == {"olive"}
    assert {"alder", "hazel", "oak", "mugwort"} <= ids(seoul.likely_but_not_listed)
    assert "birch" not in ids(seoul.likely_but_not_listed)


def test_each_region_has_its_own_climate_and_proposal(review):
    """Japanese cedar is proposed on Jeju alone, birch in Seoul alone."""
    seoul, jeju = review.regions
    assert ("japanese_cedar" in seoul.proposed, "japanese_cedar" in jeju.proposed) == (False, True)
    assert ("birch" in seoul.proposed, "birch" in jeju.proposed) == (True, False)
    assert seoul.climate.coldest_month < 0 < jeju.climate.coldest_month


def test_mites_are_offered_where_they_are_not_listed(review):
    """Seoul lists mites, so that only fleas are left to offer there."""
    seoul, jeju = review.regions
    assert ids(seoul.offered) == {"fleas"}
    assert ids(jeju.offered) == {"fleas", "house_dust_mites"}
    assert not {"fleas", "house_dust_mites"} & {*seoul.proposed, *jeju.proposed}


def test_next_seasons_are_given_for_what_is_listed_or_proposed(review):
    """Alder of Seoul, not listed, starts in February or March 2023; on Jeju it comes first."""
    assert review.why_no_seasons == ""
    by_region = [
        {item.proposal.allergen.id: item.season for item in one.allergens} for one in review.regions
    ]
    alder, earlier = (seasons["alder"] for seasons in by_region)
    assert date(2023, 2, 15) <= alder.start[1] <= date(2023, 4, 1)
    assert earlier.end[1] < alder.end[1]
    assert by_region[0]["birch"].start[1].year == 2023
    assert by_region[0]["fleas"] is None


def test_without_weather_lists_are_judged_by_place_alone(tmp_path):
    """The climate is not known, no dates are given, and the reason says what to do."""
    practice = practice_at(tmp_path / "practice")
    review = review_lists(
        practice, open_records(practice), open_climate(practice), origin=date(2023, 3, 1)
    )
    seoul = review.regions[0]
    assert seoul.climate is None
    assert "forepaw import weather" in review.why_no_seasons
    assert ids(seoul.unlikely_but_listed) == {"olive"}
    assert all(item.season is None for item in seoul.allergens)
