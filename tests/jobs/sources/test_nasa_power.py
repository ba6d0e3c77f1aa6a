"""NASA POWER: from places and days to weather in the house's units, and what is no such weather."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date

import faults
import numpy as np
import pytest
from fake_nasa_power import FakePower
from played import reply_to

from jobs.sources import nasa_power
from jobs.sources.services import replies
from jobs.sources.source import (
    FormatError,
    Place,
    RefusedError,
    SourceSettings,
    TemporaryError,
    find_source,
)

ZURICH = Place("zurich", 47.37, 8.55, 431.0)
FIRST, LAST = date(2026, 6, 1), date(2026, 6, 4)
SOURCE = find_source("nasa_power")


def ask(places=(ZURICH,), first=FIRST, last=LAST):
    """Return the requests for some places and days."""
    return nasa_power.requests(SOURCE, places, first, last, SourceSettings())


def pull(make_session, server, fake, places=(ZURICH,), first=FIRST, last=LAST):
    """Ask the fake for everything and parse it."""
    server.routes.update(fake.routes())
    source = replace(SOURCE, base_url=server.url)
    session = make_session(source)
    given = replies(session.get, source, places, first, last, SourceSettings())
    return [nasa_power.parse(reply) for reply in given]


def played(spoil=None, *, first=FIRST, last=LAST, places=(ZURICH,)):
    """Return what the fake would answer to the first request, as a reply."""
    from local_server import Asked

    request = ask(places, first, last)[0]
    query = {name: [text] for name, text in request.params}
    fake = FakePower(spoil=spoil)
    answer = fake.routes()["/api/temporal/daily/point"](Asked("GET", "", query, {}))
    return reply_to(request, answer.body)


def test_values_come_in_the_units_of_the_house(make_session, server):
    """1 June 2026 is a Monday: the fake's values are its bases; 8.64 MJ a day are 100 W."""
    (parsed,) = pull(make_session, server, FakePower())
    first = parsed.dataset.sel(region="zurich", time="2026-06-01")
    assert {name: round(float(first[name]), 6) for name in first.data_vars} == {
        "tas": 10.0,
        "tasmin": 5.0,
        "tasmax": 15.0,
        "tdps": 4.0,
        "pr": 1.5,
        "hurs": 70.0,
        "sfcWind": 3.0,
        "rsds": 100.0,
    }
    assert parsed.dataset["rsds"].attrs["units"] == "W m-2"
    assert parsed.dataset["tas"].dims == ("region", "time")
    assert parsed.dataset.attrs["version"] == "v2.10.0 (POWER, MERRA2)"
    assert parsed.dataset.attrs["day_definition"] == "UTC day"
    assert float(parsed.dataset["latitude"].item()) == 47.37


def test_what_is_asked_for_is_utc_metric_and_names_no_caller():
    (request,) = ask()
    params = dict(request.params)
    assert params["time-standard"] == "UTC"
    assert params["community"] == "AG"
    assert params["parameters"].split(",") == [
        "T2M", "T2M_MIN", "T2M_MAX", "T2MDEW", "PRECTOTCORR", "RH2M", "WS10M",
        "ALLSKY_SFC_SW_DWN",
    ]  # fmt: skip
    assert "user" not in params
    assert request.full_url.startswith("https://power.larc.nasa.gov/api/temporal/daily/point?")


def test_the_fill_value_of_the_tail_is_missing_and_told(make_session, server):
    """Meteorology ends 3 days back, on the 7th; radiation 6 days back, on the 4th."""
    last = date(2026, 6, 10)
    (parsed,) = pull(make_session, server, FakePower(), last=last)
    assert np.isnan(parsed.dataset["tas"].sel(time="2026-06-08").item())
    assert not np.isnan(parsed.dataset["tas"].sel(time="2026-06-07").item())
    assert np.isnan(parsed.dataset["rsds"].sel(time="2026-06-05").item())
    told = {f.column: f.found for f in parsed.findings if f.check == "values missing"}
    assert told["tas"] == "3 of 10 days; the last value is of 2026-06-07"
    assert told["rsds"] == "6 of 10 days; the last value is of 2026-06-04"


def test_days_the_service_does_not_have_yet_are_missing_and_told(make_session, server):
    (parsed,) = pull(make_session, server, FakePower(today=date(2026, 6, 3)), last=LAST)
    assert parsed.dataset.sizes["time"] == 4
    assert np.isnan(parsed.dataset["tas"].sel(time="2026-06-04").item())
    assert [f.found for f in parsed.findings if f.check == "fewer days than asked"] == [
        "its last day is 20260603"
    ]


def test_a_span_wholly_ahead_is_missing_and_no_error(make_session, server):
    (parsed,) = pull(make_session, server, FakePower(today=date(2026, 5, 1)))
    assert parsed.dataset["tas"].isnull().all()


def test_another_fill_value_is_read_from_the_header():
    def spoil(tree):
        tree["header"]["fill_value"] = -99
        tree["properties"]["parameter"]["T2M"]["20260601"] = -99.0

    parsed = nasa_power.parse(played(spoil))
    assert np.isnan(parsed.dataset["tas"].sel(time="2026-06-01").item())


def test_radiation_in_kilowatt_hours_is_converted():
    """2.4 kWh a day are 100 W."""

    def spoil(tree):
        tree["parameters"]["ALLSKY_SFC_SW_DWN"]["units"] = "kW-hr/m^2/day"
        tree["properties"]["parameter"]["ALLSKY_SFC_SW_DWN"]["20260601"] = 2.4

    parsed = nasa_power.parse(played(spoil))
    assert parsed.dataset["rsds"].sel(time="2026-06-01").item() == pytest.approx(100.0)


def test_a_parameter_that_nobody_asked_for_is_passed_over():
    def spoil(tree):
        tree["properties"]["parameter"]["PSC"] = {"20260601": 95.0}

    assert "PSC" not in nasa_power.parse(played(spoil)).dataset


def drop_parameter(tree):
    """Leave rain out."""
    del tree["properties"]["parameter"]["PRECTOTCORR"]


def fahrenheit(tree):
    """Give temperature in another unit."""
    tree["parameters"]["T2M"]["units"] = "F"


def solar_time(tree):
    """Give days of solar time."""
    tree["header"]["time_standard"] = "LST"


def no_fill(tree):
    """Name no fill value."""
    del tree["header"]["fill_value"]


def null(tree):
    """Put a null where a number stood."""
    tree["properties"]["parameter"]["RH2M"]["20260602"] = None


def other_days(tree):
    """Answer for another year."""
    series = tree["properties"]["parameter"]["T2M"]
    tree["properties"]["parameter"]["T2M"] = {"2025" + day[4:]: v for day, v in series.items()}


def dashed_days(tree):
    """Write days in another way."""
    series = tree["properties"]["parameter"]["T2M"]
    tree["properties"]["parameter"]["T2M"] = {
        f"{day[:4]}-{day[4:6]}-{day[6:]}": v for day, v in series.items()
    }


def a_list(tree):
    """Give a list in place of days."""
    tree["properties"]["parameter"]["T2M"] = [1.0, 2.0]


def no_units(tree):
    """Leave the units out."""
    tree["parameters"] = None


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (drop_parameter, r"parameter PRECTOTCORR \(pr\) is missing"),
        (fahrenheit, r"T2M \(tas\) is in 'F'; units that are understood are C"),
        (solar_time, "UTC days were asked for, the reply says time_standard 'LST'"),
        (no_fill, "fill_value is None"),
        (null, "RH2M is None on 20260602"),
        (other_days, "days that are not among those asked for"),
        (dashed_days, "not written YYYYMMDD"),
        (a_list, r"parameter T2M \(tas\) is missing"),
        (no_units, "is in None"),
    ],
)
def test_drift_is_named_in_one_sentence(spoil, words):
    with pytest.raises(FormatError, match=words) as caught:
        nasa_power.parse(played(spoil))
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("NASA POWER, daily weather: ")


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (faults.PAGE, "an HTML page, although JSON was asked"),
        ([1, 2], "a reply with a header was expected, found list"),
        ({"header": "no", "messages": ["bad"]}, r"the refusal 'no' \['bad'\]"),
        ({"type": "Feature"}, "found keys type"),
    ],
)
def test_another_body_is_refused(body, words):
    with pytest.raises(FormatError, match=words):
        nasa_power.parse(reply_to(ask()[0], body))


def test_a_refusal_tells_the_services_reason(make_session, server):
    server.routes.update(FakePower().routes())
    source = replace(SOURCE, base_url=server.url)
    (request,) = nasa_power.requests(source, [ZURICH], FIRST, LAST, SourceSettings())
    bad = replace(request, params=(*request.params[1:], ("parameters", "FOO")))
    with pytest.raises(RefusedError, match="One of your parameters is incorrect: FOO"):
        make_session(source).get(bad)


def test_a_page_of_a_gateway_is_asked_again(make_session, server):
    server.fail(faults.html(502), times=2)
    (parsed,) = pull(make_session, server, FakePower())
    assert parsed.dataset["tas"].notnull().all()
    server.fail(faults.html(502))
    with pytest.raises(TemporaryError, match="answered 502"):
        pull(make_session, server, FakePower())


def test_places_of_one_cell_are_asked_for_once():
    """Cells are half a degree by five eighths: the first two share one, the third does not."""
    near, far = Place("near", 47.30, 8.60, 400.0), Place("far", 46.95, 7.45, 550.0)
    asked = ask([ZURICH, near, far])
    assert [[place.id for place in request.places] for request in asked] == [
        ["zurich", "near"],
        ["far"],
    ]
    parsed = nasa_power.parse(played(places=(ZURICH, near)))
    assert list(parsed.dataset["region"].values) == ["zurich", "near"]
    assert parsed.dataset["tas"].sel(region="near", time="2026-06-02").item() == pytest.approx(10.1)


def test_long_histories_are_cut_into_ten_years_from_the_first_day_on():
    asked = ask(first=date(1979, 1, 1), last=date(2026, 6, 1))
    spans = [(request.first, request.last) for request in asked]
    assert spans[0] == (date(1981, 1, 1), date(1991, 1, 1))  # 3,653 days
    assert spans[-1][1] == date(2026, 6, 1)
    assert all(b[0].toordinal() == a[1].toordinal() + 1 for a, b in itertools.pairwise(spans))


def test_a_cell_at_another_height_is_told(make_session, server):
    (parsed,) = pull(make_session, server, FakePower(height=931.0))
    (told,) = [f for f in parsed.findings if f.check == "another height"]
    assert told.found == "region zurich: 431 m, its cell on average 931 m"


def test_settings_of_its_own_it_has_none():
    with pytest.raises(RefusedError, match="'model' is not one of its settings"):
        nasa_power.requests(SOURCE, [ZURICH], FIRST, LAST, SourceSettings(options={"model": "x"}))


def test_an_archived_reply_reads_the_same(make_session, server, archive):
    (parsed,) = pull(make_session, server, FakePower())
    (again,) = [nasa_power.parse(reply) for reply in archive.replay("nasa_power")]
    assert again.dataset.identical(parsed.dataset)
    assert again.findings == parsed.findings
