"""USA-NPN: off unless its terms were read, onsets with a look before, medians of plants near by."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import faults
import pandas as pd
import pytest
from fake_usa_npn import MISSING, FakeNpn, observations, seen
from played import reply_to

from jobs.sources import usa_npn
from jobs.sources.services import replies, set_up
from jobs.sources.source import FormatError, Place, RefusedError, SourceSettings, find_source

HARTFORD = Place("hartford", 41.76, -72.69, 18.0)
SOURCE = find_source("usa_npn")
READ = SourceSettings(options={"terms_read": True})
FIRST, LAST = date(2026, 3, 1), date(2026, 6, 9)


def ask(first=FIRST, last=LAST, places=(HARTFORD,), source=SOURCE):
    """Return the requests."""
    return usa_npn.requests(source, places, first, last, READ)


def parsed(rows):
    """Parse observations as the reply about yellow birch in 2026."""
    (request,) = [one for one in ask() if one.variables == ("97",)]
    return usa_npn.parse(reply_to(request, rows))


def dates(parsed_reply):
    """Return region, stage and day of each row."""
    return [
        (row.region, row.species, row.stage, f"{row.date:%Y-%m-%d}")
        for row in parsed_reply.frame.itertuples(index=False)
    ]


def test_it_is_off_unless_the_practice_has_read_the_terms():
    with pytest.raises(RefusedError, match=r"was not verified: .* say terms_read = true"):
        set_up(SOURCE, SourceSettings())
    with pytest.raises(RefusedError, match="terms_read"):
        usa_npn.requests(SOURCE, (HARTFORD,), FIRST, LAST, SourceSettings())
    changed = set_up(SOURCE, replace(READ, base_url="http://127.0.0.1:1/"))
    assert changed.base_url == "http://127.0.0.1:1"


def test_a_request_is_a_species_and_a_year_from_before_its_beginning():
    asked = ask(first=date(2025, 7, 1))
    birch = [request for request in asked if request.variables == ("97",)]
    spans = [(dict(r.params)["start_date"], dict(r.params)["end_date"]) for r in birch]
    # thirty days before New Year, so that a look before an early onset is seen
    assert spans == [("2024-12-02", "2025-12-31"), ("2025-12-02", "2026-06-09")]
    params = dict(birch[0].params)
    assert params["request_src"] == "forepaw"
    assert params["species_id[1]"] == "97"
    assert params["phenophase_id[1]"] == "501"
    # x is the latitude
    assert float(params["bottom_left_x1"]) < 41.76 < float(params["upper_right_x2"])
    assert float(params["bottom_left_y1"]) < -72.69 < float(params["upper_right_y2"])


def test_the_box_holds_what_is_forty_kilometres_off():
    """40 km are 0.3597 degrees of latitude on a sphere of 6,371 km."""
    params = dict(ask()[0].params)
    assert float(params["upper_right_x2"]) - 41.76 == pytest.approx(0.3597, abs=1e-4)


def test_the_date_of_a_region_is_the_median_onset_of_its_plants(make_session, server):
    server.routes.update(FakeNpn().routes())
    source = replace(SOURCE, base_url=server.url)
    given = replies(make_session(source).get, source, (HARTFORD,), FIRST, LAST, READ)
    frames = [usa_npn.parse(reply) for reply in given]
    held = [one for one in frames if not one.frame.empty]
    assert [dates(one) for one in held] == [
        [("hartford", "yellow birch", "pollen release", "2026-04-28")]
    ]
    assert held[0].frame["date"].dtype == "datetime64[ns]"
    assert len(frames) == 13  # the others are []
    assert "no dates" in [f.check for f in frames[1].findings]


def test_what_is_no_onset_is_told():
    got = parsed(observations())
    told = {f.check: f.found for f in got.findings}
    assert told["left out"] == "1 of 16 observations lack a place, a day or a status"
    assert told["no onset"] == "2 of 7 plants were first seen in a phase without a look before"


def test_an_onset_before_new_year_belongs_to_the_year_before():
    got = parsed([seen(1, "2025-12-20", 0), seen(1, "2025-12-28", 1)])
    assert got.frame.empty


def test_an_onset_after_new_year_may_have_its_look_before_it():
    got = parsed([seen(1, "2025-12-20", 0), seen(1, "2026-01-03", 1)])
    assert dates(got)[0][3] == "2026-01-03"


def test_the_earlier_of_two_phases_of_one_stage_is_the_plants():
    rows = [seen(1, f"2026-04-{day:02}", status, phase=phase) for phase, day, status in (
        (501, 1, 0), (501, 9, 1), (494, 1, 0), (494, 5, 1),
    )]  # fmt: skip
    assert dates(parsed(rows)) == [("hartford", "yellow birch", "flowering", "2026-04-05")]


def test_a_height_that_is_missing_does_not_matter():
    rows = [seen(1, "2026-04-01", 0, metres=MISSING), seen(1, "2026-04-03", 1, metres=MISSING)]
    assert dates(parsed(rows))[0][3] == "2026-04-03"


@pytest.mark.parametrize("field", ["latitude", "individual_id", "phenophase_status"])
def test_missing_as_number_or_text_is_left_out(field):
    for missing in (MISSING, str(MISSING)):
        rows = [seen(1, "2026-04-01", 0), seen(1, "2026-04-03", 1)]
        rows[1][field] = missing
        got = parsed(rows)
        assert got.frame.empty
        assert "left out" in [f.check for f in got.findings]


def test_a_missing_day_is_left_out():
    got = parsed([seen(1, "2026-04-01", 0), seen(1, MISSING, 1)])
    assert got.frame.empty


def test_an_empty_list_is_no_error():
    got = parsed([])
    assert got.frame.empty
    assert got.frame["date"].dtype == pd.Series(dtype="datetime64[ns]").dtype


def without(name):
    """Return an observation without a field."""
    row = seen(1, "2026-04-01", 1)
    del row[name]
    return [row]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (without("phenophase_status"), "observation 1 has no phenophase_status"),
        ([seen(1, "2026-04-01", 2)], r"phenophase_status is \[2.0\], not 1, 0 or -1"),
        ([seen(1, "04/01/2026", 1)], "observation_date is '04/01/2026'"),
        ([seen(1, "2026-04-01", 1, species=99)], "species .* was not asked for"),
        ([seen(1, "2026-04-01", "yes")], "phenophase_status is 'yes', no number"),
        ({"response_messages": "no"}, "a list of observations was expected"),
        ([3], "observation 1 has no latitude"),
        (faults.PAGE, "an HTML page"),
    ],
)
def test_drift_is_named_in_one_sentence(rows, words):
    with pytest.raises(FormatError, match=words) as caught:
        parsed(rows)
    assert "\n" not in str(caught.value)
