"""GHCN-Daily: padded texts, absent keys, flags and metric units; and which station is taken."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import faults
import numpy as np
import pytest
from fake_ncei import PARK, VILLAGE, FakeNcei
from played import reply_to

from jobs.sources import ghcn_daily
from jobs.sources.services import replies
from jobs.sources.source import (
    FormatError,
    Place,
    RefusedError,
    SourceSettings,
    TemporaryError,
    find_source,
)

NEW_YORK = Place("new_york", 40.75, -73.98, 20.0)
VALLEY = Place("valley", 41.05, -73.75, 60.0)
FIRST, LAST = date(2026, 6, 1), date(2026, 6, 7)
SOURCE = find_source("ghcn_daily")
BOTH = {"stations": {"new_york": PARK, "valley": VILLAGE}}


def pull(make_session, server, fake, *, places=(NEW_YORK, VALLEY), options=BOTH, last=LAST):
    """Ask the fake for everything and parse it."""
    server.routes.update(fake.routes())
    source = replace(SOURCE, base_url=server.url)
    session = make_session(source)
    settings = SourceSettings(options=options)
    given = replies(session.get, source, places, FIRST, last, settings)
    return [ghcn_daily.parse(reply) for reply in given]


def request_for(places=(NEW_YORK, VALLEY), options=BOTH, last=LAST):
    """Return the first data request."""
    return ghcn_daily.requests(SOURCE, places, FIRST, last, SourceSettings(options=options))[0]


def rows(**changes):
    """Return one good station day, changed."""
    good = {
        "DATE": "2026-06-01",
        "STATION": PARK,
        "TMAX": "   27.8",
        "TMAX_ATTRIBUTES": ",,W",
        "TMIN": "   17.2",
        "TMIN_ATTRIBUTES": ",,W",
        "PRCP": "    0.0",
        "PRCP_ATTRIBUTES": "T,,W,2400",
    }
    return [{name: text for name, text in (good | changes).items() if text is not None}]


def parsed(body):
    """Parse a body as the reply about the park alone."""
    request = request_for((NEW_YORK,), {"stations": {"new_york": PARK}})
    return ghcn_daily.parse(reply_to(request, body))


def test_values_of_each_station_reach_the_regions_it_stands_for(make_session, server):
    """1 June 2026 is a Monday: the fake's values are its bases; 20 is half of 15 and 25."""
    (got,) = pull(make_session, server, FakeNcei())
    day = got.dataset.sel(time="2026-06-01", region="new_york")
    assert {name: float(day[name]) for name in day.data_vars} == pytest.approx(
        {"tas": 20.0, "tasmin": 15.0, "tasmax": 25.0, "tdps": 12.8, "pr": 2.5, "hurs": 64.0}
        | {"sfcWind": 2.1}
    )
    assert got.dataset["tas"].attrs["comment"] == "half the sum of the day's minimum and maximum"
    assert "time of observation" in got.dataset.attrs["day_definition"]


def test_a_station_without_humidity_and_wind_is_no_error(make_session, server):
    (got,) = pull(make_session, server, FakeNcei())
    village = got.dataset.sel(region="valley")
    assert village["tasmax"].notnull().all()
    assert village["hurs"].isnull().all()
    assert village["sfcWind"].isnull().all()
    alone = pull(
        make_session,
        server,
        FakeNcei(),
        places=(VALLEY,),
        options={"stations": {"valley": VILLAGE}},
    )[0]
    assert "hurs" not in alone.dataset
    absent = [f.found for f in alone.findings if f.check == "not measured here"]
    assert absent == ["hurs, tdps, sfcWind"]


def test_texts_are_stripped_and_an_absent_key_is_missing():
    got = parsed(rows(TMIN=None, TMIN_ATTRIBUTES=None) + rows(DATE="2026-06-02"))
    assert got.dataset["tasmax"].sel(time="2026-06-01").item() == 27.8
    assert np.isnan(got.dataset["tasmin"].sel(time="2026-06-01").item())
    assert np.isnan(got.dataset["tas"].sel(time="2026-06-01").item())
    assert got.dataset["tas"].sel(time="2026-06-02").item() == pytest.approx(22.5)
    assert np.isnan(got.dataset["tasmax"].sel(time="2026-06-03").item())


def test_a_trace_of_rain_is_zero():
    assert parsed(rows()).dataset["pr"].sel(time="2026-06-01").item() == 0.0


def test_rain_that_was_blank_and_taken_as_zero_stays_missing():
    got = parsed(rows(PRCP_ATTRIBUTES="P,,0"))
    assert np.isnan(got.dataset["pr"].sel(time="2026-06-01").item())
    (told,) = [f for f in got.findings if "taken as zero" in f.check]
    assert told.column == "pr"


@pytest.mark.parametrize("flag", "DGIKLMNORSTWXZ")
def test_a_value_that_failed_a_check_is_dropped_and_told(make_session, server, flag):
    fake = FakeNcei(flags={(PARK, "TMAX", date(2026, 6, 2)): f",{flag},W"})
    (got,) = pull(make_session, server, fake)
    assert np.isnan(got.dataset["tasmax"].sel(region="new_york", time="2026-06-02").item())
    assert np.isnan(got.dataset["tas"].sel(region="new_york", time="2026-06-02").item())
    (told,) = [f for f in got.findings if f.check.startswith("failed a check")]
    assert told.found == f"1 dropped (flag {flag}), the first at {PARK} on 2026-06-02"


def test_a_fill_value_is_missing_and_told():
    got = parsed(rows(TMAX="-9999.0"))
    assert np.isnan(got.dataset["tasmax"].sel(time="2026-06-01").item())
    assert "a fill value" in [f.check for f in got.findings]


def test_the_hour_at_which_a_stations_day_ends_is_told(make_session, server):
    (got,) = pull(make_session, server, FakeNcei())
    told = [f.found for f in got.findings if f.check == "another day"]
    assert told == [f"station {VILLAGE}: its day ends at 0700 local time"]


def test_tenths_are_recognised():
    """The service gives native tenths where the parameter units is lost on the way."""
    tenths = [
        rows(DATE=f"2026-06-0{n}", TMAX="    278", TMIN="    172", PRCP="      0")[0]
        for n in range(1, 8)
    ]
    with pytest.raises(FormatError, match=r"no temperature has a decimal point \(such as '172'\)"):
        parsed(tenths)


def test_the_fake_answers_in_tenths_without_units(make_session, server):
    server.routes.update(FakeNcei().routes())
    source = replace(SOURCE, base_url=server.url)
    settings = SourceSettings(options=BOTH)
    (request,) = ghcn_daily.requests(source, [NEW_YORK, VALLEY], FIRST, LAST, settings)
    bare = tuple(pair for pair in request.params if pair[0] != "units")
    reply = make_session(source).get(replace(request, params=bare))
    with pytest.raises(FormatError, match="tenths of a degree"):
        ghcn_daily.parse(reply)


def test_nothing_found_is_an_empty_list_and_told():
    got = parsed([])
    assert not got.dataset.data_vars
    (told,) = got.findings
    assert told.found == f"station {PARK} (region new_york)"
    assert "id has changed" in told.fix


def test_a_station_that_stopped_reporting_is_told():
    """Frozen on 2 June, asked to the end of August: 90 days."""
    request = request_for((NEW_YORK,), {"stations": {"new_york": PARK}}, last=date(2026, 8, 31))
    got = ghcn_daily.parse(reply_to(request, rows(DATE="2026-06-02")))
    (told,) = [f for f in got.findings if f.check == "stopped reporting"]
    assert told.found == f"station {PARK} has nothing after 2026-06-02"


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (rows(TMAX="warm"), rf"TMAX is 'warm' at {PARK} on 2026-06-01"),
        (rows(TMAX_ATTRIBUTES=None), "TMAX_ATTRIBUTES is missing"),
        (rows(TMAX_ATTRIBUTES="W"), "TMAX_ATTRIBUTES is 'W', not at least 3 flags"),
        (rows(STATION="USW00000001"), "station USW00000001 was not asked for"),
        (rows(DATE="2025-06-01"), "DATE is '2025-06-01', not one of the days asked for"),
        (rows(DATE="06/01/2026"), "DATE is '06/01/2026'"),
        (rows(STATION=None), "STATION is missing in some of its 1 rows"),
        (rows() + rows(), "1 station days come twice"),
        ({"errorCode": 500, "errorMessage": "Oops"}, "expected, found Oops"),
        ([1], "a row of its list is no object"),
        ("<html>Busy</html>", "an HTML page"),
    ],
)
def test_drift_is_named_in_one_sentence(body, words):
    with pytest.raises(FormatError, match=words) as caught:
        parsed(body)
    assert "\n" not in str(caught.value)


def test_a_bad_request_tells_the_services_reason(make_session, server):
    server.routes.update(FakeNcei().routes())
    source = replace(SOURCE, base_url=server.url)
    settings = SourceSettings(options=BOTH)
    (request,) = ghcn_daily.requests(source, [NEW_YORK, VALLEY], FIRST, LAST, settings)
    bad = replace(request, params=(("dataset", "gfs"), *request.params[1:]))
    with pytest.raises(RefusedError, match="Unsupported dataset"):
        make_session(source).get(bad)


def test_an_overloaded_server_is_asked_again(make_session, server):
    server.fail(faults.html(503), times=2)
    assert pull(make_session, server, FakeNcei())
    server.fail(faults.html(503))
    with pytest.raises(TemporaryError, match="answered 503"):
        pull(make_session, server, FakeNcei())


# ------------------------------------------------------------------------------ which station
def test_the_nearest_station_that_measures_all_and_still_does_is_found(make_session, server):
    """Nearer ones measure rain alone, began in 2015, or closed in 1990."""
    (got,) = pull(make_session, server, FakeNcei(), options={})
    asked = [one.listed("stations") for one in server.asked if one.path.endswith("/v1")]
    assert asked == [[PARK, VILLAGE]]
    told = [f.found for f in got.findings if f.check == "station of the region"]
    # 0.029 degrees north (3.2 km) and 0.0107 degrees east (0.9 km); 0.017 and 0.017 degrees
    assert told == [
        f"region new_york: {PARK}, 3 km away, +23 m",
        f"region valley: {VILLAGE}, 2 km away, +17 m",
    ]


def test_the_list_of_stations_is_asked_for_only_when_it_changed(make_session, server):
    pull(make_session, server, FakeNcei(), options={})
    pull(make_session, server, FakeNcei(), options={})
    lists = [one for one in server.asked if one.path.endswith("inventory.txt")]
    assert [one.headers.get("if-none-match") for one in lists] == [None, '"inventory-1"']


def test_a_region_without_a_station_is_told_and_the_others_served(make_session, server):
    sea = Place("sea", 39.0, -60.0, 0.0)
    (got,) = pull(make_session, server, FakeNcei(), places=(NEW_YORK, sea), options={})
    assert list(got.dataset["region"].values) == ["new_york"]
    (told,) = [f for f in got.findings if f.check == "no station near enough"]
    assert told.found == "region sea: nothing is known of it from this source"


def test_no_station_for_any_region_is_refused(make_session, server):
    sea = Place("sea", 39.0, -60.0, 0.0)
    with pytest.raises(RefusedError, match="none of its 2 stations is within 40 km of sea"):
        pull(make_session, server, FakeNcei(), places=(sea,), options={})


def test_none_leaves_a_region_out(make_session, server):
    options = {"stations": {"new_york": PARK, "valley": "none"}}
    (got,) = pull(make_session, server, FakeNcei(), options=options)
    assert list(got.dataset["region"].values) == ["new_york"]


def test_two_regions_may_share_a_station(make_session, server):
    options = {"stations": {"new_york": PARK, "valley": PARK}}
    (got,) = pull(make_session, server, FakeNcei(), options=options)
    assert (
        got.dataset["tasmax"]
        .sel(region="valley")
        .equals(
            got.dataset["tasmax"]
            .sel(region="new_york")
            .assign_coords(got.dataset.sel(region="valley").coords)
        )
    )


def test_a_station_far_from_its_region_is_told(make_session, server):
    mountain = Place("mountain", 40.75, -73.98, 900.0)
    options = {"stations": {"mountain": PARK}}
    (got,) = pull(make_session, server, FakeNcei(), places=(mountain,), options=options)
    assert [f.found for f in got.findings if f.check == "station far from the region"] == [
        f"region mountain: {PARK}, 3 km away, -857 m"
    ]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"station": {}}, "'station' is not one of its settings; did you mean 'stations'"),
        ({"stations": "USW00094728"}, "write it as a table of regions"),
        ({"stations": {"new_yrok": PARK}}, "did you mean 'new_york'"),
        ({"stations": {"new_york": True}}, "the value True"),
    ],
)
def test_settings_that_cannot_work_are_refused(options, words):
    with pytest.raises(RefusedError, match=words):
        request_for(options=options)


def test_a_list_of_stations_that_is_none_is_refused():
    request = ghcn_daily.requests(SOURCE, [NEW_YORK], FIRST, LAST, SourceSettings())[0]
    with pytest.raises(FormatError, match="none of 2 rows of the list of stations"):
        ghcn_daily.follow_up(SOURCE, reply_to(request, "one\ntwo\n"), SourceSettings())
    broken = f"{PARK}  40.7789  -73.9692 TMAX 18x9 2026\n"
    with pytest.raises(FormatError, match="row 1 of the list of stations"):
        ghcn_daily.follow_up(SOURCE, reply_to(request, broken), SourceSettings())


def test_many_stations_and_long_histories_are_cut():
    places = [Place(f"r{n}", 40.0, -74.0, 0.0) for n in range(12)]
    options = {"stations": {f"r{n}": f"USW{n:08d}" for n in range(12)}}
    asked = ghcn_daily.requests(
        SOURCE, places, date(2006, 1, 1), date(2026, 1, 1), SourceSettings(options=options)
    )
    # two groups of stations (10 and 2); 20 years and a day are 7,306 days, twice 3,653
    assert [len(request.places) for request in asked] == [10, 10, 2, 2]
    assert [request.first for request in asked] == [date(2006, 1, 1), date(2016, 1, 2)] * 2
