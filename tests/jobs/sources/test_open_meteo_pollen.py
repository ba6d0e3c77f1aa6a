"""Modelled pollen: hours to days, what is not offered, what is not known."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from clients import BERLIN, ZURICH
from fake_open_meteo import FakeOpenMeteo

from jobs.sources import open_meteo_pollen
from jobs.sources.open_meteo_calls import set_up
from jobs.sources.services import replies
from jobs.sources.source import FormatError, Parsed, Place, SourceSettings, find_source
from models.allergens import catalogue

ALLERGENS = ["alder", "birch", "grasses", "mugwort", "olive", "ragweed"]
FIRST, TODAY = date(2026, 6, 8), date(2026, 6, 10)


@pytest.fixture
def fake(server) -> FakeOpenMeteo:
    """Give the service on the local server; an hour's pollen is the number of the hour."""
    fake = FakeOpenMeteo(today=TODAY)
    server.routes.update(fake.routes())
    return fake


@pytest.fixture
def ask(server, make_session):
    """Give a way to ask for days and parse what comes."""

    def asked(last: date, places=(ZURICH, BERLIN)) -> Parsed:
        wish = SourceSettings(base_url=server.url)
        source = set_up(find_source("open_meteo_pollen"), wish)
        found = replies(make_session(source).get, source, places, FIRST, last, wish)
        (parsed,) = [open_meteo_pollen.parse(reply) for reply in found]
        return parsed

    return asked


def test_a_day_is_the_mean_of_its_hours_and_says_that_it_is_modelled(fake, ask):
    dataset = ask(TODAY).dataset
    pollen = dataset["pollen"]
    assert pollen.dims == ("region", "allergen", "time")
    assert list(dataset["allergen"].values) == ALLERGENS
    assert set(ALLERGENS) <= set(catalogue())
    np.testing.assert_allclose(pollen.values, 11.5)  # the mean of 0, 1 ... 23
    assert pollen.attrs["units"] == "grains m-3"
    assert pollen.attrs["value_kind"] == dataset.attrs["value_kind"] == "modelled"
    assert "not counted" in pollen.attrs["long_name"]


def test_hours_are_asked_in_utc_and_the_domain_is_left_open(fake, ask, server):
    ask(TODAY)
    asked = server.asked[0]
    assert asked.path == "/v1/air-quality"
    assert asked.one("timezone") == "GMT"
    # a domain by name might refuse all places of a call for one outside of it
    assert not {"domains", "elevation", "models"} & set(asked.query)


def test_a_day_that_lacks_hours_is_not_known(fake, ask):
    # 97 hours from midnight of the 10th: the 14th has one hour, later days have none
    parsed = ask(date(2026, 6, 15))
    assert str(parsed.dataset["time"].values[-1])[:10] == "2026-06-13"
    (note,) = [f for f in parsed.findings if f.check == "days in part"]
    assert note.found.startswith("12 days")  # 2 places x 6 allergens


def test_one_missing_hour_in_the_midst_loses_that_day_alone(fake, ask):
    def spoil(location):
        location["hourly"]["birch_pollen"][24 + 5] = None

    fake.spoil = spoil
    pollen = ask(TODAY).dataset["pollen"].sel(allergen="birch")
    np.testing.assert_array_equal(pollen.isnull().values, [[False, True, False]] * 2)


def test_outside_europe_it_is_not_offered_and_never_zero(fake, ask):
    seoul = Place("seoul", 37.57, 126.98, 86.0)
    parsed = ask(TODAY, places=(ZURICH, seoul))
    pollen = parsed.dataset["pollen"]
    assert pollen.sel(region="seoul").isnull().all()
    assert pollen.sel(region="zurich").notnull().all()
    told = [f for f in parsed.findings if f.check == "not offered here"]
    assert len(told) == 6
    assert "1 of 2 places, such as seoul" in told[0].found


def test_only_outside_europe_no_day_is_left(fake, ask):
    parsed = ask(TODAY, places=(Place("seoul", 37.57, 126.98, 86.0),))
    assert parsed.dataset.sizes["time"] == 0


def test_out_of_season_it_is_not_known(fake, ask):
    def spoil(location):
        location["hourly"]["alder_pollen"] = [None] * 72

    fake.spoil = spoil
    pollen = ask(TODAY).dataset["pollen"]
    assert pollen.sel(allergen="alder").isnull().all()
    assert pollen.sel(allergen="birch").notnull().all()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda tree: tree["hourly_units"].update(birch_pollen="µg/m³"), "came in µg/m³"),
        (lambda tree: tree["hourly"].pop("birch_pollen"), "birch_pollen was asked"),
        (lambda tree: tree["hourly"]["birch_pollen"].pop(), "has 71 values for 72 times"),
        (lambda tree: tree["hourly"]["time"].pop(3), "without a hole"),
        (lambda tree: tree.update(utc_offset_seconds=3600), "UTC days were asked"),
    ],
)
def test_drift_is_named(fake, ask, spoil, words):
    fake.spoil = spoil
    with pytest.raises(FormatError, match=words):
        ask(TODAY)
