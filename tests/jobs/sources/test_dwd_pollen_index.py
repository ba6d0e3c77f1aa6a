"""The German pollen index: classes as an order, days from the date in the file, areas by id."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import faults
import numpy as np
import pandas as pd
import pytest
from fake_dwd import FakePollenIndex
from played import reply_to

from jobs.sources import dwd_pollen_index
from jobs.sources.services import replies
from jobs.sources.source import FormatError, Place, RefusedError, SourceSettings, find_source

BERLIN = Place("berlin", 52.52, 13.41, 38.0)
HANOVER = Place("hanover", 52.37, 9.73, 55.0)
SOURCE = find_source("dwd_pollen_index")
TODAY = date(2026, 6, 10)
AREAS = {"areas": {"berlin": 50, "hanover": "32"}}


def ask(options=AREAS, places=(BERLIN, HANOVER), source=SOURCE):
    """Return the requests."""
    settings = SourceSettings(options=options)
    return dwd_pollen_index.requests(source, places, TODAY, TODAY, settings)


def played(fake, *, retrieved_at=datetime(2026, 6, 10, 10, 0, tzinfo=UTC)):
    """Parse what the fake would answer."""
    reply = reply_to(ask()[0], fake.answer().body, retrieved_at=retrieved_at)
    return dwd_pollen_index.parse(reply)


def pull(make_session, server, fake):
    """Ask the fake and parse it."""
    server.routes.update(fake.routes())
    source = replace(SOURCE, base_url=server.url)
    settings = SourceSettings(options=AREAS)
    given = replies(make_session(source).get, source, (BERLIN, HANOVER), TODAY, TODAY, settings)
    return [dwd_pollen_index.parse(reply) for reply in given]


def test_classes_are_coded_in_half_steps_for_three_days(make_session, server):
    (got,) = pull(make_session, server, FakePollenIndex())
    index = got.dataset["pollen_index"]
    assert index.dims == ("region", "allergen", "time")
    assert list(index.indexes["time"]) == list(pd.date_range("2026-06-10", "2026-06-12"))
    birch = index.sel(region="berlin", allergen="birch").values
    assert birch[:2].tolist() == [2.5, 3.0]
    assert np.isnan(birch[2])
    assert index.sel(region="hanover", allergen="birch").values[0] == 1.5  # its part of the region
    assert index.sel(region="berlin", allergen="ragweed").values[0] == 0.0
    assert not got.findings


@pytest.mark.parametrize(
    ("text", "number"),
    [("0", 0.0), ("0-1", 0.5), ("1", 1.0), ("1-2", 1.5), ("2", 2.0), ("2-3", 2.5), ("3", 3.0)],
)
def test_each_class_of_the_legend_has_its_number(text, number):
    got = played(FakePollenIndex(today=text))
    assert got.dataset["pollen_index"].sel(region="berlin", allergen="birch").values[0] == number


def test_the_index_is_a_quantity_of_its_own():
    dataset = played(FakePollenIndex()).dataset
    assert list(dataset.data_vars) == ["pollen_index"]
    assert dataset["pollen_index"].attrs["long_name"] == "pollen index 0-3"
    assert dataset["pollen_index"].attrs["units"] == "1"
    assert "no concentration" in dataset["pollen_index"].attrs["comment"]
    assert dataset.attrs["credit"].startswith("Datenbasis: Deutscher Wetterdienst")
    assert "rye" not in dataset["allergen"].values


def test_an_old_file_speaks_of_its_own_days_and_is_told():
    """Eight days old at 11:00 German time, 09:00 UTC: 193 hours at 10:00 UTC."""
    got = played(FakePollenIndex(last_update="2026-06-02 11:00 Uhr"))
    assert list(got.dataset.indexes["time"]) == list(pd.date_range("2026-06-02", "2026-06-04"))
    (told,) = got.findings
    assert told.found.startswith("the file is of 2026-06-02 11:00, 193 hours old")


def test_an_unchanged_file_is_read_from_the_archive_with_its_own_date(make_session, server, clock):
    fake = FakePollenIndex()
    pull(make_session, server, fake)
    clock.pass_by(3 * 86_400)
    (got,) = pull(make_session, server, fake)
    assert server.asked[-1].headers["if-none-match"]
    assert got.dataset.indexes["time"][0] == pd.Timestamp(2026, 6, 10)
    assert [f.check for f in got.findings] == ["old file"]


def winter_summer(tree):
    """Publish in the hour that the autumn change repeats."""
    tree["last_update"] = "2025-10-26 02:30 Uhr"


def test_the_repeated_hour_of_autumn_is_read():
    got = played(FakePollenIndex(spoil=winter_summer))
    assert got.dataset.indexes["time"][0] == pd.Timestamp(2025, 10, 26)


def put(*path):
    """Return a spoiler that puts the last of the path where the others lead; None removes."""
    *way, key, value = path

    def spoil(tree):
        for step in way:
            tree = tree[step]
        if value is None:
            del tree[key]
        else:
            tree[key] = value

    return spoil


BIRCH = ("content", 0, "Pollen", "Birke")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (put("last_update", "2026-06-10T11:00"), "last_update is '2026-06-10T11:00', not like"),
        (put("last_update", None), "last_update is None"),
        (put("last_update", "2026-06-20 11:00 Uhr"), "which lies ahead"),
        (put(*BIRCH, "today", "4"), "Birke today of area 50 is '4', not one of"),
        (put(*BIRCH, "today", 2), "Birke today of area 50 is 2"),
        (put(*BIRCH, "tomorrow", None), "Birke tomorrow of area 50 is None"),
        (put("content", 0, "Pollen", "Erle", None), "Erle today of area 50 is None"),
        (put("content", 0, "region_id", 51), "area 50 is missing, it has 51, 31, 32, 20"),
        (put("content", 0, "partregion_id", "-1"), "an area has partregion_id '-1'"),
        (put("content", {}), "its list of areas"),
        (put("legend", None), "its legend is missing"),
        (put("legend", "id8", "4"), "its legend has the classes .*4"),
    ],
)
def test_drift_is_named_in_one_sentence(spoil, words):
    with pytest.raises(FormatError, match=words) as caught:
        played(FakePollenIndex(spoil=spoil))
    assert "\n" not in str(caught.value)


def test_a_page_is_refused():
    with pytest.raises(FormatError, match="an HTML page"):
        dwd_pollen_index.parse(reply_to(ask()[0], faults.PAGE))


def test_a_plant_that_is_new_is_told():
    got = played(FakePollenIndex(spoil=put("content", 0, "Pollen", "Platane", {"today": "1"})))
    assert [f.found for f in got.findings if f.check == "plants not known"] == ["Platane"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, r"no region has an area; give each its own .* areas = \{ berlin = 50 \}"),
        ({"areas": {"berlin": 30}}, "given the area 30; it has the parts 31 .*, 32 "),
        ({"areas": {"berlin": 7}}, "given the area 7; areas are 11 "),
        ({"areas": {"berlin": "none", "hanover": "none"}}, "no region has an area"),
        ({"areas": {"munich": 121}}, "names the region 'munich'"),
        ({"area": 50}, "did you mean 'areas'"),
    ],
)
def test_settings_that_cannot_work_are_refused(options, words):
    with pytest.raises(RefusedError, match=words):
        ask(options)


def test_a_region_without_an_area_gets_nothing():
    (request,) = ask({"areas": {"berlin": 50}})
    assert [place.id for place in request.places] == ["berlin"]
