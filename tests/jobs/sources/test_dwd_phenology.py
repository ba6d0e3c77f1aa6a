"""German observers of plants: three steps of listings, padded rows, medians of those near by."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest
from fake_dwd import FakePhenology
from played import reply_to

from jobs.sources import dwd_phenology
from jobs.sources.services import replies
from jobs.sources.source import (
    FormatError,
    Place,
    RefusedError,
    Request,
    SourceSettings,
    find_source,
)

BERLIN = Place("berlin", 52.52, 13.41, 38.0)
SEA = Place("sea", 54.5, 8.0, 0.0)
SOURCE = find_source("dwd_phenology")
FIRST, LAST = date(2026, 1, 1), date(2026, 6, 9)


def pull(make_session, server, fake, *, places=(BERLIN,), first=FIRST, last=LAST):
    """Ask the fake for everything; return all dates and all findings."""
    server.routes.update(fake.routes())
    source = replace(SOURCE, base_url=server.url)
    given = replies(make_session(source).get, source, places, first, last, SourceSettings())
    parsed = [dwd_phenology.parse(reply) for reply in given]
    frame = pd.concat([one.frame for one in parsed], ignore_index=True)
    return frame, [found for one in parsed for found in one.findings]


def rows_of(frame):
    """Return a frame's rows as tuples with the day as text."""
    return [
        (row.region, row.species, row.stage, f"{row.date:%Y-%m-%d}")
        for row in frame.itertuples(index=False)
    ]


def one_file(name="Hasel", **changes):
    """Return the parse of one file of the fake."""
    fake = FakePhenology(**changes)
    path = f"{{}}_reporters/wild/recent/PH_Sofortmelder_Wildwachsende_Pflanze_{name}_akt.txt"
    path = "/climate_environment/CDC/observations_germany/phenology/" + path.format("immediate")
    answer = next(route for start, route in fake.routes().items() if path.startswith(start))(
        _asked(path)
    )
    request = Request(
        SOURCE.id,
        "GET",
        SOURCE.base_url + path,
        places=(BERLIN,),
        first=FIRST,
        last=LAST,
        stations=(("berlin", "12132"), ("berlin", "12133"), ("berlin", "12134")),
        content="text",
    )
    return dwd_phenology.parse(reply_to(request, answer.body))


def _asked(path):
    from local_server import Asked

    return Asked("GET", path, {}, {})


def test_the_date_of_a_region_is_the_median_of_its_observers(make_session, server):
    """Hazel: days 20, 24 and 28 near Berlin; birch: 98 and 100, of which the earlier."""
    frame, _ = pull(make_session, server, FakePhenology())
    assert rows_of(frame) == [
        ("berlin", "hazel", "flowering", "2026-01-24"),
        ("berlin", "hazel", "full bloom", "2026-02-15"),
        ("berlin", "birch", "flowering", "2026-04-08"),
        ("berlin", "forsythia", "flowering", "2026-03-18"),
    ]
    assert frame["date"].dtype == "datetime64[ns]"


def test_the_running_year_comes_at_once_and_earlier_ones_by_the_year(make_session, server):
    frame, _ = pull(make_session, server, FakePhenology(), first=date(2008, 1, 1))
    hazel = frame.loc[(frame["species"] == "hazel") & (frame["stage"] == "flowering")]
    assert sorted(hazel["date"].dt.year) == [2010, 2025, 2026]
    asked = [one.path for one in server.asked]
    assert not any("_1925_2023_" in path or "Spezifizierung" in path for path in asked)
    assert any("Hasel_1925_2024_hist" in path for path in asked)
    assert not any("Huflattich" in path for path in asked)


def test_history_is_not_fetched_for_the_running_year(make_session, server):
    pull(make_session, server, FakePhenology())
    assert not any("annual" in one.path for one in server.asked)


def test_a_file_that_ends_before_the_days_asked_is_not_fetched(make_session, server):
    pull(make_session, server, FakePhenology(), first=date(2025, 6, 1))
    assert not any("_hist" in one.path for one in server.asked)


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8", "utf-8-sig"])
def test_old_and_new_encodings_are_read(make_session, server, encoding):
    frame, _ = pull(make_session, server, FakePhenology(encoding=encoding))
    assert len(frame) == 4


def test_capitals_of_headings_do_not_matter():
    shouted = FakePhenology().header.upper().replace("EOR", "eor")
    assert len(one_file(header=shouted).frame) == 2


def test_rows_that_were_objected_to_are_left_out_and_counted():
    got = one_file()
    (told,) = [f for f in got.findings if f.check == "objected to"]
    assert told.found == "1 rows left out (Eintrittsdatum_QB 7)"


def test_a_row_whose_two_dates_differ_is_left_out_and_told():
    files = {"immediate/recent/Hasel": [(12132, 2026, 5, "20260128", 1, 29)]}
    got = one_file(files=files)
    assert got.frame.empty
    (told,) = [f for f in got.findings if f.check == "two dates that differ"]
    assert told.found == (
        "1 rows left out; the first, row 2, has Eintrittsdatum 20260128 and Jultag 29"
    )
    assert told.severity == "error"


def test_a_season_that_begins_before_new_year_is_one_season():
    """The reference year ties the two hazels together, not the calendar year."""
    files = {
        "immediate/recent/Hasel": [
            (12132, 2026, 5, "20251229", 1, 363),
            (12133, 2026, 5, "20260105", 1, 5),
            (12134, 2026, 5, "20260103", 1, 3),
        ]
    }
    fake = FakePhenology(files=files)
    path = (
        "/climate_environment/CDC/observations_germany/phenology/immediate_reporters/wild/recent/"
        "PH_Sofortmelder_Wildwachsende_Pflanze_Hasel_akt.txt"
    )
    answer = fake.routes()["/climate_environment/CDC/observations_germany/phenology/"](_asked(path))
    request = Request(
        SOURCE.id,
        "GET",
        SOURCE.base_url + path,
        places=(BERLIN,),
        first=FIRST,
        last=LAST,
        stations=(("berlin", "12132"), ("berlin", "12133"), ("berlin", "12134")),
    )
    frame = dwd_phenology.parse(reply_to(request, answer.body)).frame
    assert rows_of(frame) == [("berlin", "hazel", "flowering", "2026-01-03")]


def test_a_window_within_a_season_takes_the_season_whole(make_session, server):
    """From 22 January on, two of the three hazels would be left, and another median."""
    frame, _ = pull(make_session, server, FakePhenology(), first=date(2026, 1, 22))
    assert rows_of(frame)[0] == ("berlin", "hazel", "flowering", "2026-01-24")


def test_what_comes_after_the_last_day_is_not_known_yet(make_session, server):
    frame, _ = pull(make_session, server, FakePhenology(), last=date(2026, 1, 24))
    assert rows_of(frame) == [("berlin", "hazel", "flowering", "2026-01-20")]


def test_a_mountain_far_above_is_no_observer_of_the_town(make_session, server):
    town = Place("town", 51.80, 10.65, 240.0)
    with pytest.raises(RefusedError, match="within 25 km and 150 m of height of town"):
        pull(make_session, server, FakePhenology(), places=(town,))


def test_a_region_without_observers_is_told_and_the_others_served(make_session, server):
    frame, findings = pull(make_session, server, FakePhenology(), places=(BERLIN, SEA))
    assert set(frame["region"]) == {"berlin"}
    assert "region sea" in next(f.found for f in findings if f.check == "no station near enough")


def test_unchanged_files_are_not_sent_again(make_session, server):
    before, _ = pull(make_session, server, FakePhenology())
    n_asked = len(server.asked)
    after, _ = pull(make_session, server, FakePhenology())
    files = [one for one in server.asked[n_asked:] if one.path.endswith(".txt")]
    assert files
    assert all("if-none-match" in one.headers for one in files)
    assert after.equals(before)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"header": "Stations_id;Referenzjahr;eor;"}, "column qualitaetsniveau, objekt_id"),
        ({"header": "<html><body>"}, "column stations_id, .*, eor is missing"),
        ({"changed": {"20260128": "28.01.26"}}, "eintrittsdatum in row 2 is '28.01.26', no number"),
        ({"changed": {"28;eor;\r\n": "28;\r\n"}}, "row 2 does not end in eor"),
        ({"changed": {"      113;       6": "      114;       6"}}, r"Objekt_id \[113, 114\]"),
    ],
)
def test_drift_is_named_in_one_sentence(changes, words):
    with pytest.raises(FormatError, match=words) as caught:
        one_file(**changes)
    assert "\n" not in str(caught.value)


def test_a_folder_without_a_plant_that_must_be_there_is_drift(make_session, server):
    fake = FakePhenology()
    del fake.files["immediate/recent/Haenge-Birke"]
    with pytest.raises(FormatError, match="the folder has no file of Haenge-Birke, only Hasel"):
        pull(make_session, server, fake)


def test_a_folder_that_is_no_listing_is_drift():
    request = dwd_phenology.requests(SOURCE, [BERLIN], FIRST, LAST, SourceSettings())[0]
    folder = replace(request, content="binary")
    with pytest.raises(FormatError, match="no file of plants among 0 links"):
        dwd_phenology.follow_up(SOURCE, reply_to(folder, "<html>moved</html>"), SourceSettings())


def test_a_list_of_stations_without_positions_is_drift():
    request = dwd_phenology.requests(SOURCE, [BERLIN], FIRST, LAST, SourceSettings())[0]
    text = "Stations_id;geograph.Breite;geograph.Laenge;Stationshoehe;eor;\n1;;;;eor;\n"
    with pytest.raises(FormatError, match="no station of the list has a position"):
        dwd_phenology.follow_up(SOURCE, reply_to(request, text), SourceSettings())
