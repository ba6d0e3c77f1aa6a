"""Hosts and keys, what a call costs, and how a wish is cut into calls."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from clients import BERLIN, ZURICH
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.sources import open_meteo, open_meteo_pollen
from jobs.sources.open_meteo_calls import call_weight, chunks, known_models, set_up
from jobs.sources.source import (
    Place,
    RefusedError,
    Request,
    SourceError,
    SourceSettings,
    find_source,
    sources,
)

FAMILY = [source for source in sources().values() if source.family == "open_meteo"]
ARCHIVE = find_source("open_meteo_archive")
EVALUATION = SourceSettings(evaluation=True)


# ------------------------------------------------------------------------------ hosts and keys
@pytest.mark.parametrize("source", FAMILY, ids=lambda s: s.id)
def test_the_free_host_is_for_evaluations_only(source):
    with pytest.raises(RefusedError, match="non-commercial use only") as caught:
        set_up(source, SourceSettings())
    assert source.terms in str(caught.value)
    assert "evaluation = true" in str(caught.value)
    evaluated = set_up(source, EVALUATION)
    assert evaluated.base_url == source.base_url
    assert evaluated.limits == source.limits


@pytest.mark.parametrize(
    ("source_id", "host"),
    [
        ("open_meteo_archive", "https://customer-archive-api.open-meteo.com"),
        ("open_meteo_forecast", "https://customer-api.open-meteo.com"),
        ("open_meteo_ensemble", "https://customer-ensemble-api.open-meteo.com"),
        ("open_meteo_seasonal", "https://customer-seasonal-api.open-meteo.com"),
        ("open_meteo_pollen", "https://customer-air-quality-api.open-meteo.com"),
    ],
)
def test_a_key_leads_to_the_customer_host_without_hard_limits(source_id, host):
    source = set_up(find_source(source_id), SourceSettings(key="k", evaluation=True))
    assert source.base_url == host
    assert host.removeprefix("https://") in source.redirect_hosts
    assert source.limits.calls_per_minute is None
    assert source.limits.calls_per_day is None


def test_an_own_server_has_no_limits_and_needs_no_key():
    source = set_up(ARCHIVE, SourceSettings(base_url="http://weather.practice.example:8080/"))
    assert source.base_url == "http://weather.practice.example:8080"
    assert source.limits.calls_per_day is None
    assert source.redirect_hosts == ()


@pytest.mark.parametrize(
    "address",
    [
        "https://archive-api.open-meteo.com",
        "https://ARCHIVE-API.open-meteo.com",
        "https://open-meteo.com",
    ],
)
def test_naming_the_free_host_by_hand_is_no_way_round_its_terms(address):
    with pytest.raises(RefusedError, match="non-commercial"):
        set_up(ARCHIVE, SourceSettings(base_url=address))


def test_a_host_whose_name_only_looks_alike_is_an_own_server():
    own = set_up(ARCHIVE, SourceSettings(base_url="https://my-open-meteo.com"))
    assert own.limits.calls_per_day is None


def test_a_customer_host_without_a_key_is_refused():
    address = "https://customer-archive-api.open-meteo.com"
    with pytest.raises(RefusedError, match="needs a key"):
        set_up(ARCHIVE, SourceSettings(base_url=address, evaluation=True))
    assert set_up(ARCHIVE, SourceSettings(base_url=address, key="k")).base_url == address


def test_a_key_is_in_no_words_of_the_settings():
    assert "hidden" not in repr(SourceSettings(key="hidden"))


# ------------------------------------------------------------------------------ models
def test_a_model_brings_its_reach():
    ensemble = find_source("open_meteo_ensemble")
    far = set_up(ensemble, SourceSettings(evaluation=True, options={"model": "ncep_gefs_seamless"}))
    assert (set_up(ensemble, EVALUATION).horizon_days, far.horizon_days) == (15, 35)


@pytest.mark.parametrize(
    ("source", "options", "words"),
    [
        (ARCHIVE, {"model": "era6"}, "'era6' is not known; allowed are best_match, era5"),
        (ARCHIVE, {"modle": "era5"}, "did you mean 'model'"),
        (find_source("open_meteo_pollen"), {"model": "cams"}, "has none of its own"),
    ],
)
def test_an_option_that_is_not_understood_is_refused(source, options, words):
    with pytest.raises(RefusedError, match=words):
        set_up(source, SourceSettings(evaluation=True, options=options))


def test_every_default_model_is_known():
    for source in FAMILY:
        if source.id != "open_meteo_pollen":
            assert set_up(source, EVALUATION)
            assert known_models(source.id)


# ------------------------------------------------------------------------------ what a call costs
@pytest.mark.parametrize(
    ("n_variables", "n_members", "n_days", "cost"),
    # the examples of the service's documentation of its limits
    [
        (7, 1, 16, 1.0),
        (1, 1, 21 * 365.25, 54.8),
        (10, 1, 30 * 365.25, 783),
        (1, 51, 15, 5.5),
        (8, 31, 16, 28.3),
    ],
)
def test_the_documented_examples(n_variables, n_members, n_days, cost):
    weight = call_weight(n_variables=n_variables, n_members=n_members, n_days=n_days)
    digits = 0 if cost == 783 else 1
    assert round(weight, digits) == cost


def test_a_seasonal_call_is_divided_by_24_and_by_5():
    # 7 variables x 51 members / 120 = 2.975; x 183 days / 14 / 10 = 3.889 (by hand)
    weight = call_weight(n_variables=7, n_members=51, n_days=183, seasonal=True)
    assert weight == pytest.approx(3.889, abs=5e-4)


def test_many_variables_on_few_days_cost_their_number():
    # max(1, 20/10, 20/10 * 1/14) = 2
    assert call_weight(n_variables=20, n_days=1) == 2.0


# ------------------------------------------------------------------------------ cutting
@given(
    n_places=st.integers(1, 130),
    n_days=st.integers(1, 16_000),
    n_variables=st.integers(1, 40),
    n_members=st.integers(1, 51),
)
@settings(max_examples=60, deadline=None)
def test_each_day_of_each_place_is_asked_once_and_no_call_is_too_heavy(
    n_places, n_days, n_variables, n_members
):
    places = [Place(f"p{n}", 47.0, 8.0, 0.0) for n in range(n_places)]
    first = date(1980, 1, 1)
    last = first + timedelta(days=n_days - 1)
    asked: dict[str, int] = {}
    following: dict[str, date] = {}
    cut = chunks(ARCHIVE, places, first, last, n_variables=n_variables, n_members=n_members)
    for some, start, end, weight in cut:
        assert weight <= 600.0 + 1e-9
        assert len(some) <= ARCHIVE.limits.locations_per_request
        days = (end - start).days + 1
        assert 1 <= days <= ARCHIVE.limits.days_per_request
        one = call_weight(n_variables=n_variables, n_members=n_members, n_days=days)
        assert weight == pytest.approx(len(some) * one)
        for place in some:
            assert start == following.get(place.id, first)
            following[place.id] = end + timedelta(days=1)
            asked[place.id] = asked.get(place.id, 0) + days
    assert asked == dict.fromkeys([place.id for place in places], n_days)


def test_days_before_the_first_of_the_source_are_not_asked():
    cut = list(chunks(ARCHIVE, [ZURICH], date(1939, 12, 1), date(1940, 1, 2), n_variables=7))
    assert [(start, end) for _, start, end, _ in cut] == [(date(1940, 1, 1), date(1940, 1, 2))]


@pytest.mark.parametrize("source", FAMILY, ids=lambda s: s.id)
def test_the_longest_address_is_one_that_is_taken(source):
    # places with as many digits as a practice may write
    places = [Place(f"p{n}", -37.123456, -122.123456, 1234.56) for n in range(200)]
    client = open_meteo_pollen if source.kind == "pollen" else open_meteo
    own = set_up(source, SourceSettings(base_url="https://a-rather-long-name.practice.example"))
    first = date(2026, 6, 1)
    made = client.requests(own, places, first, first + timedelta(days=3), SourceSettings())
    assert sum(len(request.places) for request in made) == 200
    assert max(len(request.full_url) for request in made) <= 3400


def test_an_address_that_is_too_long_is_refused():
    from jobs.sources.open_meteo_calls import check_address

    with pytest.raises(SourceError, match="ask for fewer places"):
        check_address(Request("open_meteo_archive", "GET", "http://a/", (("q", "x" * 3400),)))


def test_what_is_asked_for():
    own = set_up(ARCHIVE, SourceSettings(base_url="http://a.example"))
    unknown_height = Place("delft", 52.01, 4.36, float("nan"))
    first, last = date(2024, 4, 1), date(2024, 4, 3)
    (request,) = open_meteo.requests(own, [ZURICH, unknown_height], first, last, SourceSettings())
    assert request.url == "http://a.example/v1/archive"
    asked = dict(request.params)
    daily = asked.pop("daily").split(",")
    assert asked == {
        "latitude": "47.37,52.01",
        "longitude": "8.55,4.36",
        "elevation": "431,nan",
        "start_date": "2024-04-01",
        "end_date": "2024-04-03",
        "timezone": "GMT",
        "wind_speed_unit": "ms",
        "models": "era5",
    }
    assert dict(zip(request.variables, daily, strict=True)) == {
        "tas": "temperature_2m_mean",
        "tasmin": "temperature_2m_min",
        "tasmax": "temperature_2m_max",
        "tdps": "dew_point_2m_mean",
        "pr": "precipitation_sum",
        "hurs": "relative_humidity_2m_mean",
        "sfcWind": "wind_speed_10m_mean",
        "rsds": "shortwave_radiation_sum",
    }


def test_the_best_match_is_asked_by_naming_no_model():
    source = find_source("open_meteo_forecast")
    own = set_up(source, SourceSettings(base_url="http://a.example"))
    first = date(2026, 6, 10)
    (request,) = open_meteo.requests(own, [BERLIN], first, first, SourceSettings())
    assert "models" not in dict(request.params)
