"""MeteoSwiss: items, files that are fetched when they changed, counts by eye and by machine."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import faults
import numpy as np
import pandas as pd
import pytest
from fake_meteoswiss import FakeMeteoSwiss
from played import reply_to

from jobs.sources import meteoswiss_phenology, meteoswiss_pollen
from jobs.sources.services import replies
from jobs.sources.source import (
    FormatError,
    Place,
    RefusedError,
    Request,
    SourceSettings,
    find_source,
)

ZURICH = Place("zurich", 47.37, 8.55, 431.0)
BERN = Place("bern", 46.95, 7.45, 550.0)
MUNICH = Place("munich", 48.14, 11.58, 519.0)
POLLEN, PHENOLOGY = find_source("meteoswiss_pollen"), find_source("meteoswiss_phenology")
FIRST, LAST = date(2026, 6, 1), date(2026, 6, 9)


def pull(make_session, server, fake, *, places=(ZURICH,), options=None, first=FIRST, last=LAST):
    """Ask the fake for pollen and parse it."""
    return _pull(make_session, server, fake, POLLEN, places, options, first, last)


def pull_dates(make_session, server, fake, *, places=(ZURICH,), options=None):
    """Ask the fake for flowering dates and parse them."""
    first, last = date(2025, 1, 1), LAST
    return _pull(make_session, server, fake, PHENOLOGY, places, options, first, last)


def _pull(make_session, server, fake, source, places, options, first, last):
    server.routes.update(fake.routes())
    source = replace(source, base_url=server.url)
    client = meteoswiss_pollen if source.id == POLLEN.id else meteoswiss_phenology
    session = make_session(source)
    settings = SourceSettings(options=options or {})
    given = replies(session.get, source, places, first, last, settings)
    return [client.parse(reply) for reply in given]


def parsed(text, *, station="PZH"):
    """Parse a text as the daily file of a station."""
    request = Request(
        "meteoswiss_pollen",
        "GET",
        "https://data.geo.admin.ch/x.csv",
        places=(ZURICH,),
        first=FIRST,
        last=LAST,
        stations=(("zurich", station),),
        content="text",
    )
    return meteoswiss_pollen.parse(reply_to(request, text.encode("cp1252")))


HEADER = "station_abbr;reference_timestamp;kabetud1;khpoacd1;kaalnud1;kacoryd1;kafraxd1;kaquerd1"
ROW = "PZH;01.06.2026 00:00;1;2;3;4;5;6"


# ------------------------------------------------------------------------------ pollen
def test_the_nearest_stations_daily_counts_come_by_allergen(make_session, server):
    """1 June 2026 is a Monday: birch 0, grasses 10, ... in the fake's order; oak is the seventh."""
    (got,) = pull(make_session, server, FakeMeteoSwiss())
    pollen = got.dataset["pollen"]
    assert pollen.dims == ("region", "allergen", "time")
    assert pollen.attrs["units"] == "grains m-3"
    assert pollen.attrs["value_kind"] == "measured"
    day = pollen.sel(region="zurich", time="2026-06-01")
    counts = {str(a): float(day.sel(allergen=a)) for a in day["allergen"].values}
    assert counts == {
        "alder": 20.0, "birch": 0.0, "hazel": 30.0, "ash": 50.0, "oak": 60.0, "grasses": 10.0,
    }  # fmt: skip
    assert float(pollen.sel(region="zurich", allergen="birch", time="2026-06-02")) == 1.0
    assert got.dataset.attrs["credit"] == "Source: MeteoSwiss"


def test_only_the_files_wanted_are_fetched(make_session, server):
    """Daily and of this year: neither hours nor history."""
    pull(make_session, server, FakeMeteoSwiss())
    files = [one.path.rpartition("/")[2] for one in server.asked]
    assert files == ["ogd-pollen_meta_stations.csv", "pzh", "ogd-pollen_pzh_d_recent.csv"]


def test_history_is_fetched_where_a_day_of_it_is_wanted(make_session, server):
    got = pull(make_session, server, FakeMeteoSwiss(), first=date(2025, 12, 30))
    assert len(got) == 2
    recent, history = (one.dataset["pollen"].sel(allergen="birch", region="zurich") for one in got)
    assert np.isnan(recent.sel(time="2025-12-31"))
    assert history.sel(time="2025-12-31") == 2.0  # a Wednesday
    assert np.isnan(history.sel(time="2026-06-01"))


def test_an_unchanged_file_is_not_sent_again(make_session, server):
    fake = FakeMeteoSwiss()
    (before,) = pull(make_session, server, fake)
    n_asked = len(server.asked)
    (after,) = pull(make_session, server, fake)
    again = server.asked[n_asked:]
    assert all("if-none-match" in one.headers for one in again)
    assert after.dataset["pollen"].equals(before.dataset["pollen"])

    fake.changed = {"PZH;01.06.2026 00:00;1;0": "PZH;01.06.2026 00:00;1;99"}
    (corrected,) = pull(make_session, server, fake)
    birch = corrected.dataset["pollen"].sel(region="zurich", allergen="birch", time="2026-06-01")
    assert float(birch) == 99.0


def test_an_empty_cell_is_missing_never_zero(make_session, server):
    day = date(2026, 6, 2)
    empty = {("PZH", "kabetud1", day), ("PZH", "kabetud0", day)}
    (got,) = pull(make_session, server, FakeMeteoSwiss(empty=empty))
    birch = got.dataset["pollen"].sel(region="zurich", allergen="birch")
    assert np.isnan(birch.sel(time="2026-06-02"))
    assert birch.sel(time="2026-06-01") == 0.0


def test_the_break_between_eye_and_machine_is_flagged(make_session, server):
    got = pull(make_session, server, FakeMeteoSwiss(), first=date(2022, 12, 31))
    for one in got:
        counting = one.dataset["counting"]
        assert counting.sel(time="2022-12-31") == 0
        assert counting.sel(time="2023-01-01") == 1
        assert counting.attrs["flag_meanings"] == "manual automatic"


def test_where_the_utc_day_is_missing_the_other_day_is_taken_and_told(make_session, server):
    """Counts by eye have no UTC day; 31 December 2022 is a Saturday: 5, and one more."""
    history = pull(make_session, server, FakeMeteoSwiss(), first=date(2022, 12, 31))[1]
    birch = history.dataset["pollen"].sel(region="zurich", allergen="birch")
    assert birch.sel(time="2022-12-31") == 6.0
    assert birch.sel(time="2023-01-01") == 6.0  # a Sunday, the UTC day
    told = [f.found for f in history.findings if f.check == "another day" and f.column == "birch"]
    assert told == ["1 days are those of kabetud0, not the UTC day"]


def test_a_byte_order_mark_and_umlauts_do_no_harm():
    got = parsed("\xef\xbb\xbf" + f"{HEADER};Zürich\r\n{ROW};ü\r\n")
    assert got.dataset["pollen"].sel(allergen="birch", time="2026-06-01").item() == 1.0


def test_regions_may_share_a_station_and_each_has_its_own(make_session, server):
    near = Place("near", 47.40, 8.60, 450.0)
    got = pull(make_session, server, FakeMeteoSwiss(), places=(ZURICH, BERN, near))
    assert [list(one.dataset["region"].values) for one in got] == [["zurich", "near"], ["bern"]]


def test_a_region_far_from_all_stations_is_told(make_session, server):
    (got,) = pull(make_session, server, FakeMeteoSwiss(), places=(ZURICH, MUNICH))
    assert list(got.dataset["region"].values) == ["zurich"]
    (told,) = [f for f in got.findings if f.check == "no station near enough"]
    assert "munich" in told.sentence
    with pytest.raises(RefusedError, match="none of its 3 stations is within 50 km and 600 m"):
        pull(make_session, server, FakeMeteoSwiss(), places=(MUNICH,))


def test_a_station_may_be_named(make_session, server):
    options = {"stations": {"zurich": "PBE"}}
    (got,) = pull(make_session, server, FakeMeteoSwiss(), options=options)
    assert next(one.path.rpartition("/")[2] for one in server.asked) == "pbe"
    assert got.dataset["pollen"].notnull().any()
    with pytest.raises(RefusedError, match="answered 404"):
        pull(make_session, server, FakeMeteoSwiss(), options={"stations": {"zurich": "XXX"}})


def test_an_item_without_the_file_is_drift(make_session, server):
    with pytest.raises(
        FormatError, match=r"'pzh' has none of the files wanted, only .*_d_historical"
    ):
        pull(make_session, server, FakeMeteoSwiss(hide=("ogd-pollen_pzh_d_recent",)))


def test_a_young_station_without_history_is_no_error_and_a_renamed_file_is(make_session, server):
    first = date(2025, 12, 30)
    young = FakeMeteoSwiss(hide=("ogd-pollen_pzh_d_historical",))
    assert len(pull(make_session, server, young, first=first)) == 1

    def rename(tree):
        held = tree["assets"].pop("ogd-pollen_pzh_d_historical.csv")
        tree["assets"]["ogd-pollen_pzh_d_hist.csv"] = held

    with pytest.raises(FormatError, match=r"unknown ones: ogd-pollen_pzh_d_hist\.csv"):
        pull(make_session, server, FakeMeteoSwiss(spoil=rename), first=first)


def test_an_item_without_assets_is_drift(make_session, server):
    fake = FakeMeteoSwiss(spoil=lambda tree: tree.pop("assets"))
    with pytest.raises(FormatError, match="the item of a station has no assets"):
        pull(make_session, server, fake)


def test_a_link_to_another_host_is_not_followed(make_session, server):
    with pytest.raises(FormatError, match=r"lies at 'https://evil\.example/.*elsewhere"):
        pull(make_session, server, FakeMeteoSwiss(host="evil.example"))


def test_links_of_the_service_are_asked_at_what_stands_in_for_it(make_session, server):
    (got,) = pull(make_session, server, FakeMeteoSwiss(host="data.geo.admin.ch"))
    assert got.dataset["pollen"].notnull().any()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            f"{HEADER}\r\n{ROW.replace(';1;', ';many;', 1)}\r\n",
            "kabetud1 in row 2 is 'many', no count",
        ),
        (f"{HEADER}\r\n{ROW.replace(';1;', ';-5;', 1)}\r\n", "kabetud1 in row 2 is '-5'"),
        (
            f"{HEADER}\r\n{ROW.replace('PZH', 'PBE')}\r\n",
            "the file is of station PBE, asked was PZH",
        ),
        (f"{HEADER}\r\n{ROW.replace('00:00', '13:00')}\r\n", "no day written dd.mm.yyyy HH:MM"),
        (f"{HEADER}\r\n{ROW.replace('01.06.2026', '2026-06-01')}\r\n", "is '2026-06-01 00:00'"),
        (f"{HEADER}\r\n{ROW}\r\n{ROW}\r\n", "a day stands in it twice"),
        (f"{HEADER}\r\n{ROW};7\r\n", "row 2 has 9 cells, not 8"),
        (f"{HEADER}\r\n{ROW[:-6]}\r\n", "row 2 has 5 cells, not 8"),
        (HEADER.replace("d1", "h0") + f"\r\n{ROW}\r\n", "none of its columns is a daily count"),
        (
            HEADER.replace("station_abbr", "station") + f"\r\n{ROW}\r\n",
            "column station_abbr is missing",
        ),
        (f"{HEADER}\r\n{ROW}\r\n".replace(";", ","), "column station_abbr, reference_timestamp is"),
        ("", "column station_abbr, reference_timestamp is missing"),
    ],
)
def test_drift_is_named_in_one_sentence(text, words):
    with pytest.raises(FormatError, match=words) as caught:
        parsed(text)
    assert "\n" not in str(caught.value)


def test_a_taxon_that_is_missing_or_new_is_told():
    header = HEADER.replace("khpoacd1", "kxnewxd1")
    got = parsed(f"{header}\r\n{ROW}\r\n")
    assert [f.found for f in got.findings if f.check == "not counted here"] == ["grasses"]
    assert [f.found for f in got.findings if f.check == "codes not known"] == ["kxnewxd1"]
    assert "grasses" not in got.dataset["allergen"].values


def test_a_file_without_the_days_asked_is_told():
    got = parsed(f"{HEADER}\r\n{ROW.replace('2026', '2025')}\r\n")
    assert got.dataset["pollen"].isnull().all()
    assert "no counts" in [f.check for f in got.findings]


def test_a_page_in_place_of_a_file_is_refused_when_read_again():
    with pytest.raises(FormatError, match="column station_abbr"):
        parsed(faults.PAGE.decode())


# ------------------------------------------------------------------------------ phenology
def test_the_observer_of_the_same_height_gives_dates(make_session, server):
    """The hill is nearer to Zürich, but more than 200 m above it."""
    (got,) = pull_dates(make_session, server, FakeMeteoSwiss())
    rows = list(got.frame.itertuples(index=False, name=None))
    assert rows == [
        ("zurich", "birch", "flowering", pd.Timestamp(2026, 4, 5)),
        ("zurich", "birch", "full bloom", pd.Timestamp(2026, 4, 11)),
        ("zurich", "hazel", "flowering", pd.Timestamp(2026, 1, 28)),
    ]
    assert list(got.frame.columns) == ["region", "species", "stage", "date"]
    assert got.frame["date"].dtype == "datetime64[ns]"
    assert got.dataset.attrs["source"] == "meteoswiss_phenology"


def test_a_cell_that_is_no_day_is_drift(make_session, server):
    fake = FakeMeteoSwiss(flowering={("WAE", "mbetp60d"): "20260431"})
    with pytest.raises(FormatError, match="mbetp60d in row 3 is '20260431', no day"):
        pull_dates(make_session, server, fake)


def test_a_file_of_unknown_codes_is_drift(make_session, server):
    fake = FakeMeteoSwiss(changed={"mcora60d": "hazel", "mbetp60d": "b60", "mbetp65d": "b65"})
    with pytest.raises(FormatError, match=r"none of its columns is known \(station_abbr"):
        pull_dates(make_session, server, fake)


def test_a_year_without_dates_is_told(make_session, server):
    (got,) = pull_dates(make_session, server, FakeMeteoSwiss(flowering={}))
    assert got.frame.empty
    assert got.frame["date"].dtype == "datetime64[ns]"
    assert [f.check for f in got.findings] == ["no dates"]
