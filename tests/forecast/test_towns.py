"""Towns by name and by nearness; positions against those of the time zone database, by hand."""

from __future__ import annotations

import pytest

from forecast.towns import TownError, find_town, nearest_town, towns


def test_a_town_is_found_however_it_is_written():
    """Zurich is +4723+00832 there: 47 degrees 23 minutes north, 8 degrees 32 minutes east."""
    for written in ("Zurich", "zurich", " ZURICH "):
        town = find_town(written)
        assert (town.latitude, town.longitude) == (47.3833, 8.5333)
        assert (town.time_zone, town.country) == ("Europe/Zurich", "CH")


def test_seconds_south_and_west_are_read():
    """New York is +404251-0740023, Buenos Aires -3436-05827."""
    york, aires = find_town("New York"), find_town("buenos_aires")
    assert (york.latitude, york.longitude) == (40.7142, -74.0064)
    assert (aires.latitude, aires.longitude) == (-34.6, -58.45)
    assert aires.time_zone == "America/Argentina/Buenos_Aires"


def test_a_town_that_is_not_known_is_told_with_another_way():
    """A slip of the pen gets the town that was meant."""
    with pytest.raises(TownError, match=r"did you mean 'Zurich'\? Else give --latitude"):
        find_town("Zurch")
    with pytest.raises(TownError, match="give --latitude and --longitude"):
        find_town("Xqw")


def test_the_nearest_town_is_the_one_along_the_globe():
    """Across the date line too: 179 degrees west lies by Fiji (178 E), and not by Samoa (172 W)."""
    assert nearest_town(47.0, 8.3).name == "Zurich"
    assert nearest_town(-17.5, -179.9).name == "Fiji"
    assert len(towns()) > 400


def test_of_a_country_that_is_named_its_own_nearest_town_is_taken():
    """From Munich it is 190 km to Vaduz, 220 to Busingen and 500 to Berlin."""
    assert nearest_town(48.1, 11.6).name == "Vaduz"
    assert nearest_town(48.1, 11.6, country="DE").name == "Busingen"
    assert nearest_town(48.1, 11.6, country="XX").name == "Vaduz"
