"""Weather of the Open-Meteo family: what is read of its replies, and what is refused as drift."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from typing import Any

import numpy as np
import pandas as pd
import pytest
from clients import BERLIN, ZURICH
from fake_open_meteo import FakeOpenMeteo, error, grid

from forecast.climate.store import ClimateStore
from forecast.climate.variables import variables
from jobs.sources import open_meteo
from jobs.sources.open_meteo_calls import set_up
from jobs.sources.services import replies
from jobs.sources.source import (
    FormatError,
    Place,
    RawReply,
    RefusedError,
    Request,
    SourceSettings,
    find_source,
)

NAMES = {
    "tas": "temperature_2m_mean",
    "tasmin": "temperature_2m_min",
    "tasmax": "temperature_2m_max",
    "tdps": "dew_point_2m_mean",
    "pr": "precipitation_sum",
    "hurs": "relative_humidity_2m_mean",
    "sfcWind": "wind_speed_10m_mean",
    "rsds": "shortwave_radiation_sum",
}
UNITS = ["°C", "°C", "°C", "°C", "mm", "%", "m/s", "MJ/m²"]
FIRST, LAST = date(2024, 4, 1), date(2024, 4, 3)


def location(at: int = 0) -> dict[str, Any]:
    """Return one place of an archive reply of three days, the last not out yet."""
    head: dict[str, Any] = {
        "latitude": 47.381374,
        "longitude": 8.557257,
        "generationtime_ms": 0.31,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": 431.0,
    }
    if at:
        head["location_id"] = at
    return head | {
        "daily_units": {"time": "iso8601"} | dict(zip(NAMES.values(), UNITS, strict=True)),
        "daily": {
            "time": ["2024-04-01", "2024-04-02", "2024-04-03"],
            "temperature_2m_mean": [9.6, 10.7, None],
            "temperature_2m_min": [5.1, 4.8, None],
            "temperature_2m_max": [14.2, 16.9, None],
            "dew_point_2m_mean": [5.2, 3.5, None],
            "precipitation_sum": [3.40, 0.00, None],
            "relative_humidity_2m_mean": [74, 61, None],
            "wind_speed_10m_mean": [2.71, 1.94, None],
            "shortwave_radiation_sum": [11.52, 18.07, None],
        },
    }


def reply(
    tree: Any,
    *,
    source_id: str = "open_meteo_archive",
    places: tuple[Place, ...] = (ZURICH,),
    model: str = "era5",
    last: date = LAST,
    content_type: str = "application/json; charset=utf-8",
) -> RawReply:
    """Return a raw reply with that JSON tree."""
    body = json.dumps(tree, ensure_ascii=False).encode()
    request = Request(
        source_id,
        "GET",
        "http://a.example/v1/archive",
        params=(("models", model),),
        places=places,
        first=FIRST,
        last=last,
        variables=tuple(NAMES),
    )
    now = datetime(2024, 4, 8, 6, tzinfo=UTC)
    sum_ = sha256(body).hexdigest()
    return RawReply(request, request.full_url, 200, content_type, body, sum_, now)


# ------------------------------------------------------------------------------ what is read
def test_one_place_is_an_object_and_comes_in_the_units_of_the_house():
    dataset = open_meteo.parse(reply(location())).dataset
    assert dataset.sizes == {"region": 1, "time": 2}
    for name, expected in {
        "tas": [9.6, 10.7],
        "tasmin": [5.1, 4.8],
        "tasmax": [14.2, 16.9],
        "tdps": [5.2, 3.5],
        "pr": [3.4, 0.0],
        "hurs": [74.0, 61.0],
        "sfcWind": [2.71, 1.94],
        # 11.52 MJ/m2 in 86,400 s are 133.333 W/m2; 18.07 are 209.144
        "rsds": [133.33333, 209.14352],
    }.items():
        assert dataset[name].attrs == variables()[name].attributes
        np.testing.assert_allclose(dataset[name].values[0], expected, rtol=1e-6)
    assert list(dataset["time"].values) == list(pd.to_datetime(["2024-04-01", "2024-04-02"]))


def test_positions_are_those_of_the_place_and_the_cell_stands_beside():
    dataset = open_meteo.parse(reply(location())).dataset
    assert dataset["latitude"].item() == 47.37
    assert dataset["longitude"].item() == 8.55
    assert dataset["elevation"].item() == 431.0
    assert dataset["grid_latitude"].item() == 47.381374
    assert dataset["grid_longitude"].item() == 8.557257


def test_what_a_dataset_says_of_itself():
    attributes = open_meteo.parse(reply(location())).dataset.attrs
    assert attributes["source"] == "open_meteo_archive"
    assert attributes["version"] == "era5"
    assert attributes["day_definition"] == "UTC day"
    assert attributes["retrieved_at"] == "2024-04-08T06:00:00+00:00"
    assert attributes["licence"] == "CC BY 4.0"
    assert "https://open-meteo.com/" in attributes["credit"]
    assert "Copernicus" in attributes["credit"]


def test_a_model_of_another_maker_is_credited():
    parsed = open_meteo.parse(reply(location(), model="ecmwf_ifs"))
    assert parsed.dataset.attrs["credit"].endswith("Model: ECMWF.")


def test_many_places_are_an_array_and_the_first_has_no_id():
    tree = [location(), location(1), location(2)]
    tree[2]["daily"]["temperature_2m_mean"] = [1.0, 2.0, None]
    places = tuple(replace(ZURICH, id=name) for name in ("a", "b", "c"))
    parsed = open_meteo.parse(reply(tree, places=places))
    assert list(parsed.dataset["region"].values) == ["a", "b", "c"]
    np.testing.assert_array_equal(parsed.dataset["tas"].sel(region="c"), [1.0, 2.0])


def test_days_that_are_not_out_yet_are_left_off_and_told():
    parsed = open_meteo.parse(reply(location()))
    (note,) = parsed.findings
    assert (note.check, note.severity) == ("not out yet", "note")
    assert "1 days without any value, 2024-04-03" in note.found


def test_a_hole_in_the_midst_stays_missing_and_is_told():
    tree = location()
    tree["daily"]["precipitation_sum"] = [None, 1.0, 2.0]
    parsed = open_meteo.parse(reply(tree))
    assert parsed.dataset.sizes["time"] == 3
    assert np.isnan(parsed.dataset["pr"].values[0, 0])
    missing = {f.column: f.found for f in parsed.findings if f.check == "values missing"}
    assert missing["pr"] == "1 of 3 values"


def test_nothing_out_yet_gives_no_day():
    tree = location()
    for name in NAMES.values():
        tree["daily"][name] = [None, None, None]
    assert open_meteo.parse(reply(tree)).dataset.sizes["time"] == 0


def test_a_variable_that_is_not_offered_stays_missing_and_is_named():
    tree = location()
    tree["daily_units"]["shortwave_radiation_sum"] = "undefined"
    tree["daily"]["shortwave_radiation_sum"] = [None, None, None]
    parsed = open_meteo.parse(reply(tree))
    assert parsed.dataset["rsds"].isnull().all()
    np.testing.assert_array_equal(parsed.dataset["tas"].values, [[9.6, 10.7]])
    (told,) = [f for f in parsed.findings if f.check == "not offered here"]
    assert (told.column, told.severity) == ("shortwave_radiation_sum", "warning")
    assert "1 of 1 places, such as zurich" in told.found


def test_days_cut_off_by_the_service_are_told():
    parsed = open_meteo.parse(reply(location(), last=date(2024, 4, 5)))
    (told,) = [f for f in parsed.findings if f.check == "fewer days than asked"]
    assert told.found == "2024-04-01 to 2024-04-03"
    assert told.allowed == "2024-04-01 to 2024-04-05"
    assert parsed.dataset.sizes["time"] == 2


def test_json_under_another_name_is_read_and_told():
    parsed = open_meteo.parse(reply(location(), content_type="text/html"))
    assert parsed.findings[0].check == "content type"
    assert parsed.dataset.sizes["time"] == 2


def test_a_cell_across_the_date_line_is_near():
    tree = location() | {"latitude": -17.0, "longitude": -179.9}
    place = Place("taveuni", -17.0, 179.95, 10.0)
    assert open_meteo.parse(reply(tree, places=(place,))).dataset.sizes["region"] == 1


# ------------------------------------------------------------------------------ drift
def _set(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(tree: dict[str, Any]) -> None:
        *way, last = path.split("/")
        for key in way:
            tree = tree[key]
        if value is ...:
            del tree[last]
        else:
            tree[last] = value

    return change


MEAN = "temperature_2m_mean"
DRIFT = {
    "a missing variable": (_set(f"daily/{MEAN}", ...), f"{MEAN} was asked and is not in it"),
    "a missing unit": (_set(f"daily_units/{MEAN}", ...), f"{MEAN} was asked and is not in it"),
    "another unit": (_set(f"daily_units/{MEAN}", "°F"), "asked in °C, it came in °F"),
    "wind in km/h": (
        _set("daily_units/wind_speed_10m_mean", "km/h"),
        "asked in m/s, it came in km/h",
    ),
    "radiation as a mean": (
        _set("daily_units/shortwave_radiation_sum", "W/m²"),
        "asked in MJ/m², it came in W/m²",
    ),
    "undefined with values": (_set(f"daily_units/{MEAN}", "undefined"), "values all the same"),
    "a shorter array": (_set(f"daily/{MEAN}", [9.6, 10.7]), "has 2 values for 3 times"),
    "no array": (_set(f"daily/{MEAN}", 9.6), "has no values for 3 times"),
    "words for numbers": (_set(f"daily/{MEAN}", [9.6, "mild", 10.7]), "holds no numbers"),
    "nested values": (_set(f"daily/{MEAN}", [[9.6], [1.0, 2.0], [1.0]]), "holds no numbers"),
    "infinity": (_set(f"daily/{MEAN}", [9.6, float("inf"), 1.0]), "is not finite"),
    "a civil zone": (_set("utc_offset_seconds", 7200), "UTC days were asked"),
    "no zone": (_set("utc_offset_seconds", ...), "UTC days were asked"),
    "no daily": (_set("daily", ...), "has no sections 'daily'"),
    "no units": (_set("daily_units", ...), "has no sections 'daily'"),
    "unix times": (_set("daily_units/time", "unixtime"), "they came in 'unixtime'"),
    "no times": (_set("daily/time", ...), "do not share one list of times"),
    "another year": (
        _set("daily/time", ["2023-04-01", "2023-04-02", "2023-04-03"]),
        "without a hole were asked",
    ),
    "a day twice": (
        _set("daily/time", ["2024-04-01", "2024-04-01", "2024-04-02"]),
        "without a hole were asked",
    ),
    "a day left out": (_set("daily/time", ["2024-04-01", "2024-04-03"]), "without a hole"),
    "days backwards": (
        _set("daily/time", ["2024-04-03", "2024-04-02", "2024-04-01"]),
        "without a hole",
    ),
    "times that are none": (_set("daily/time", ["a", "b", "c"]), "cannot be read"),
    "no days": (_set("daily/time", []), "without a hole were asked, it holds 0"),
    "a far cell": (_set("latitude", 52.5), "km away"),
    "no cell": (_set("latitude", ...), "has the position"),
    "latitude as text": (_set("latitude", "47.4"), "has the position"),
    "another number": (_set("location_id", 3), "the reply has 3 there"),
}


@pytest.mark.parametrize(("change", "words"), DRIFT.values(), ids=DRIFT)
def test_drift_is_named_in_one_sentence(change, words):
    tree = location()
    change(tree)
    with pytest.raises(FormatError, match=words) as caught:
        open_meteo.parse(reply(tree))
    assert str(caught.value).startswith("Open-Meteo, past weather")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("tree", "words"),
    [
        ([location()], "2 places were asked, the reply holds 1"),
        (location(), "2 places were asked, the reply holds 1"),
        ([location(), location(1), location(2)], "the reply holds 3"),
        ([location(), location()], "berlin is number 1 .* the reply has None there"),
        ([location(), 3], "the reply holds 2"),
        (None, "the reply holds 1"),
        ("text", "the reply holds 1"),
    ],
)
def test_places_that_do_not_match_are_refused(tree, words):
    near = replace(BERLIN, latitude=47.4, longitude=8.5)
    with pytest.raises(FormatError, match=words):
        open_meteo.parse(reply(tree, places=(ZURICH, near)))


def test_places_in_another_order_are_refused():
    tree = [location(), location(1)]  # both in Zurich
    with pytest.raises(FormatError, match=r"berlin .* was answered with a cell 6.. km away"):
        open_meteo.parse(reply(tree, places=(ZURICH, BERLIN)))


def test_an_error_inside_a_200_is_told_with_its_reason():
    with pytest.raises(FormatError, match="answered 200 with an error: the reason"):
        open_meteo.parse(reply({"error": True, "reason": "the reason"}))


# ------------------------------------------------------------------------------ members
def ensemble(n_members: int, *, without: tuple[int, ...] = ()) -> dict[str, Any]:
    """Return a place with so many members; member m is m degrees warmer."""
    tree = location()
    for name, unit in zip(NAMES.values(), UNITS, strict=True):
        control = tree["daily"][name]
        for member in range(1, n_members):
            if member not in without:
                key = f"{name}_member{member:02d}"
                tree["daily_units"][key] = unit
                tree["daily"][key] = [None if v is None else v + member for v in control]
    return tree


@pytest.mark.parametrize("n_members", [1, 3, 31, 51, 101])
def test_members_are_counted_from_the_keys(n_members):
    tree = ensemble(n_members)
    parsed = open_meteo.parse(reply(tree, source_id="open_meteo_ensemble"))
    assert parsed.dataset["tas"].dims == ("region", "member", "time")
    assert list(parsed.dataset["member"].values) == list(range(n_members))
    last = parsed.dataset["tas"].sel(member=n_members - 1).values[0]
    np.testing.assert_allclose(last, [9.6 + n_members - 1, 10.7 + n_members - 1])


def test_a_member_that_is_left_out_is_drift():
    tree = ensemble(5, without=(2,))
    with pytest.raises(FormatError, match="a number is missing"):
        open_meteo.parse(reply(tree, source_id="open_meteo_ensemble"))


def test_a_variable_with_fewer_members_stays_missing_in_the_others():
    tree = ensemble(3)
    del tree["daily"]["precipitation_sum_member02"]
    parsed = open_meteo.parse(reply(tree, source_id="open_meteo_ensemble"))
    assert parsed.dataset["pr"].sel(member=2).isnull().all()
    assert parsed.dataset["tas"].sel(member=2).notnull().all()
    (told,) = [f for f in parsed.findings if f.check == "fewer members"]
    assert told.column == "precipitation_sum"


def test_a_shorter_member_is_drift():
    tree = ensemble(3)
    tree["daily"]["precipitation_sum_member02"] = [1.0]
    with pytest.raises(FormatError, match="precipitation_sum_member02 of place zurich has 1"):
        open_meteo.parse(reply(tree, source_id="open_meteo_ensemble"))


def test_weekly_and_monthly_rows_of_a_seasonal_reply_are_left_alone():
    tree = ensemble(51) | {
        "weekly_units": {"time": "iso8601", "temperature_2m_anomaly": "°C"},
        "weekly": {"time": ["2024-04-01"], "temperature_2m_anomaly": [0.8]},
    }
    parsed = open_meteo.parse(reply(tree, source_id="open_meteo_seasonal"))
    assert parsed.dataset.sizes == {"region": 1, "member": 51, "time": 2}
    assert parsed.dataset.attrs["credit"].count("Open-Meteo") == 1


# ------------------------------------------------------------------------------ from end to end
@pytest.fixture
def fake(server) -> FakeOpenMeteo:
    """Give the service on the local server, its day the clock's."""
    fake = FakeOpenMeteo()
    server.routes.update(fake.routes())
    return fake


def ask(make_session, server, first, last, *, source_id="open_meteo_archive", places=(ZURICH,)):
    """Ask the local server for days and parse what comes."""
    wish = SourceSettings(base_url=server.url)
    source = set_up(find_source(source_id), wish)
    session = make_session(source)
    found = replies(session.get, source, places, first, last, wish)
    return [open_meteo.parse(each) for each in found]


def test_the_last_days_of_the_archive_are_not_out_yet(fake, server, make_session):
    (parsed,) = ask(make_session, server, date(2026, 6, 1), date(2026, 6, 10))
    assert str(parsed.dataset["time"].values[-1])[:10] == "2026-06-05"
    # 5 June 2026 is a Friday: 10.0 + 0.1 * 4; the cell is off the place
    assert parsed.dataset["tas"].values[0, -1] == 10.4
    assert parsed.dataset["grid_latitude"].item() == grid(47.37)


def test_an_ensemble_comes_whole(fake, server, make_session):
    first, last = date(2026, 6, 10), date(2026, 6, 16)
    (parsed,) = ask(make_session, server, first, last, source_id="open_meteo_ensemble")
    assert parsed.dataset["tas"].shape == (1, 51, 7)
    # Sunday 14 June, member 50: 10.0 + 0.6 + 5.0
    assert parsed.dataset["tas"].sel(member=50, time="2026-06-14").item() == 15.6
    assert parsed.findings == ()


@pytest.mark.parametrize(
    ("source_id", "n_days", "dims"),
    [
        ("open_meteo_forecast", 16, ("region", "time")),
        ("open_meteo_seasonal", 183, ("region", "member", "time")),
    ],
)
def test_days_ahead_come_to_the_end(fake, server, make_session, source_id, n_days, dims):
    first = date(2026, 6, 10)
    assert find_source(source_id).horizon_days == n_days
    last = first + timedelta(days=n_days - 1)
    (parsed,) = ask(make_session, server, first, last, source_id=source_id, places=(ZURICH, BERLIN))
    assert parsed.dataset["tas"].dims == dims
    assert parsed.dataset.sizes["time"] == n_days
    assert parsed.dataset["rsds"].notnull().all()
    assert parsed.findings == ()


def test_many_places_and_years_come_back_as_they_were_asked(fake, server, make_session):
    places = [Place(f"p{n}", 47.0 + n / 100, 8.0, 400.0) for n in range(30)]
    found = ask(make_session, server, date(2014, 6, 1), date(2026, 5, 31), places=places)
    # ten years of a place count as 8/10 x 3653/14 = 208.74 calls: 23 places come to less than 5,000
    assert [tuple(each.dataset.sizes.values()) for each in found] == [
        (23, 3653),
        (23, 730),
        (7, 3653),
        (7, 730),
    ]
    assert len(server.asked) == 4
    assert list(found[2].dataset["region"].values) == [f"p{n}" for n in range(23, 30)]


def test_days_past_the_end_are_refused_with_the_service_s_reason(fake, server, make_session):
    with pytest.raises(RefusedError, match=r"answered 400 .*out of allowed range"):
        ask(make_session, server, date(2026, 6, 1), date(2026, 6, 11))


def test_a_plan_without_that_service_is_told(server, make_session):
    server.routes["/"] = lambda _: error(403, "Your plan does not include this API")
    with pytest.raises(RefusedError, match="Your plan does not include this API"):
        ask(make_session, server, date(2026, 6, 1), date(2026, 6, 2))


def test_a_wrong_key_is_refused_and_stands_nowhere(fake, server, make_session, tmp_path):
    fake.key = "right"
    source = set_up(find_source("open_meteo_archive"), SourceSettings(base_url=server.url))
    session = make_session(source, keys={source.id: "wrong-key-456"})
    (request,) = open_meteo.requests(source, [ZURICH], FIRST, LAST, SourceSettings())
    with pytest.raises(RefusedError, match=r"API key \(the key\) is invalid"):
        session.get(request)
    good = make_session(source, keys={source.id: "right"})
    assert open_meteo.parse(good.get(request)).dataset.sizes["time"] == 3


def test_what_comes_can_be_put_into_the_climate_store(fake, server, make_session, tmp_path):
    places = (ZURICH, BERLIN)
    (parsed,) = ask(make_session, server, date(2026, 5, 1), date(2026, 5, 31), places=places)
    store = ClimateStore.open(tmp_path)
    said = parsed.dataset.attrs
    store.append_weather(
        parsed.dataset,
        source=said["source"],
        licence=said["licence"],
        credit=said["credit"],
        retrieved_at=datetime.fromisoformat(said["retrieved_at"]),
    )
    held = store.weather()
    for name in NAMES:
        # the store keeps values in single precision
        np.testing.assert_allclose(held[name], parsed.dataset[name], rtol=1e-6)
    assert held.attrs["day_definition"] == "UTC day"


def test_an_archived_reply_can_be_read_again(fake, server, make_session, archive):
    (parsed,) = ask(make_session, server, date(2026, 5, 1), date(2026, 5, 31))
    (again,) = [open_meteo.parse(each) for each in archive.replay("open_meteo_archive")]
    assert again.dataset.identical(parsed.dataset)
