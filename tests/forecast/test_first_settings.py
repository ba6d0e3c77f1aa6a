"""The first practice.toml: it is whole, and says of the place what was said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecast.first_settings import Home, first_settings
from forecast.settings import PracticeError, parse_settings

ZURICH = Home(
    'The "Lake" practice', "Zürich West", 47.38, 8.53, 431.0, "Europe/Zurich", "CH", "a@b.example"
)


def test_what_was_said_stands_there_and_can_be_read():
    """Quotes and umlauts too; the id is plain."""
    settings = parse_settings(first_settings(ZURICH, ["nasa_power", "meteoswiss_pollen"]))
    (region,) = settings.region
    assert settings.practice.name == 'The "Lake" practice'
    assert settings.practice.country == "CH"
    assert (region.id, region.name) == ("zurich_west", "Zürich West")
    assert (region.latitude, region.longitude, region.elevation) == (47.38, 8.53, 431.0)
    assert region.time_zone == "Europe/Zurich"
    assert settings.sources.contact == "a@b.example"
    assert [pull.source for pull in settings.pull] == ["nasa_power", "meteoswiss_pollen"]
    assert settings.forecast.draws == 500  # the rest is the template's


def test_allergens_are_those_of_that_part_of_the_world():
    """Japanese hop grows in East Asia and not in Switzerland."""
    (here,) = parse_settings(first_settings(ZURICH, [])).region
    seoul = replace(ZURICH, latitude=37.57, longitude=126.97, time_zone="Asia/Seoul")
    (there,) = parse_settings(first_settings(seoul, [])).region
    assert "japanese_hop" in there.allergens
    assert "japanese_hop" not in here.allergens
    assert "birch" in here.allergens


def test_nothing_of_the_template_s_own_place_is_left():
    """Nor a country where none was said."""
    text = first_settings(replace(ZURICH, country=None), [])
    assert "seoul" not in text.lower()
    assert parse_settings(text).practice.country is None


@pytest.mark.parametrize(("region", "expected"), [("東京", "home"), ("2nd Town", "home")])
def test_a_region_whose_name_has_no_plain_letters_gets_a_plain_id(region, expected):
    """Or one that begins with a figure."""
    assert replace(ZURICH, region=region).region_id == expected


def test_what_cannot_be_is_refused_before_anything_is_written():
    """The sentence is that of the settings."""
    with pytest.raises(PracticeError, match="time_zone"):
        first_settings(replace(ZURICH, time_zone="Europe/Nowhere"), [])
