"""A pull: what is lacking comes, is checked and kept; a failure costs nothing that is held."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from fake_dwd import FakePhenology, FakePollenIndex
from fake_meteoswiss import FakeMeteoSwiss
from fake_nasa_power import FakePower
from fake_open_meteo import value
from faults import status
from pull_world import FIRST, LAST, NOW, PRACTICE

from forecast.climate import open_climate
from forecast.records import open_records
from forecast.records.runs import runs
from jobs.opening import open_all
from jobs.pull import pull
from jobs.sources import pulling
from jobs.sources.pulling import pull_source
from jobs.sources.source import SourceError, find_source
from models.parameters import load_table


# ------------------------------------------------------------------------------ all goes well
def test_the_first_pull_loads_twenty_years_and_says_whose_they_are(world):
    """Every day of both regions, with terms, run and what was asked for, in one commit."""
    (done,) = world.pull()
    assert done.failures == []
    store = open_climate(world.practice())
    weather = store.weather()
    assert list(weather["region"].values) == ["zurich", "berlin"]
    assert weather["time"].values[[0, -1]].astype("datetime64[D]").tolist() == [FIRST, LAST]
    assert weather["tas"].notnull().all()
    day = date(2014, 5, 7)
    expected = value("temperature_2m_mean", day)
    assert float(weather["tas"].sel(region="berlin", time=str(day))) == pytest.approx(expected)
    assert store.asked("weather", "open_meteo_archive") == {
        "zurich": (FIRST, LAST),
        "berlin": (FIRST, LAST),
    }
    (commit,) = store.provenance()
    (run,) = runs(open_records(world.practice()))
    assert (commit.run_id, run.job, run.state) == (run.id, "pull open_meteo_archive", "done")
    assert commit.source == "open_meteo_archive"
    assert commit.licence == find_source("open_meteo_archive").licence
    assert weather.attrs["credit"].startswith("Weather data by Open-Meteo.com")
    assert any("2006-01-01" in line for line in world.said)
    assert all("vet@practice.example" in a.headers["user-agent"] for a in world.server.asked)


@pytest.mark.usefixtures("three_years")
def test_the_next_day_asks_for_the_trailing_window_alone(world):
    """95 days that may be revised and the day that is new."""
    world.pull()
    world.server.asked.clear()
    world.fake.today += timedelta(days=1)
    world.pull(NOW + timedelta(days=1))
    assert world.spans_asked == [("2026-03-03", "2026-06-06")]
    store = open_climate(world.practice())
    assert store.weather()["time"].values[-1] == np.datetime64("2026-06-06")
    assert store.asked("weather", "open_meteo_archive")["berlin"] == (
        date(2023, 1, 1),
        date(2026, 6, 6),
    )


@pytest.mark.usefixtures("three_years")
def test_a_value_that_was_revised_is_new_and_the_old_one_stays_in_its_snapshot(world, monkeypatch):
    """A month ago it was said to be 30 degC."""
    world.pull()
    store = open_climate(world.practice())
    before = store.head()

    def warmer(location: dict[str, Any]) -> None:
        at = location["daily"]["time"].index("2026-05-10")
        location["daily"]["temperature_2m_mean"][at] = 14.5

    world.fake.spoil = warmer
    world.pull(NOW + timedelta(hours=7))
    place = {"region": "zurich", "time": "2026-05-10"}
    assert float(store.weather()["tas"].sel(place)) == 14.5
    assert float(store.weather(snapshot=before)["tas"].sel(place)) == pytest.approx(10.6)


@pytest.mark.usefixtures("three_years")
def test_what_cannot_be_is_missing_and_told_and_the_rest_is_kept(world):
    """One humidity of 300 percent in three years."""

    def spoil(location: dict[str, Any]) -> None:
        if "2024-03-04" in location["daily"]["time"]:
            at = location["daily"]["time"].index("2024-03-04")
            location["daily"]["relative_humidity_2m_mean"][at] = 300

    world.fake.spoil = spoil
    (done,) = world.pull()
    told = [f for f in done.findings if f.severity != "note"]
    assert [(f.check, f.column) for f in told] == [("not plausible", "hurs")]
    assert "2 values set missing, the first at zurich on 2024-03-04" in told[0].sentence
    hurs = open_climate(world.practice()).weather()["hurs"]
    assert int(hurs.isnull().sum()) == 2
    assert done.report is not None
    assert "not plausible" in done.report.read_text()


@pytest.mark.usefixtures("three_years")
def test_a_forecast_pollen_and_flowering_dates_go_into_groups_of_their_own(world):
    """Each marked as what it is."""
    phenology = FakePhenology()
    world.server.routes.update(phenology.routes())
    world.use("open_meteo_ensemble", "open_meteo_pollen", "dwd_phenology")
    done = world.pull()
    assert [one.failures for one in done] == [[], [], []]
    store = open_climate(world.practice())
    ahead = store.weather_ahead("open_meteo_ensemble")
    assert ahead.sizes["member"] == 51
    assert ahead["time"].values[0] == np.datetime64("2026-06-10")
    pollen = store.pollen()
    assert pollen["value_kind"].values.tolist() == ["modelled"]
    birch = pollen["pollen"].sel(region="berlin", allergen="birch", time="2026-06-10").item()
    assert birch == pytest.approx(11.5)  # the mean of 0 to 23
    assert pollen["time"].values[-1] == np.datetime64("2026-06-13")
    flowering = store.flowering()
    assert set(flowering["source"]) == {"dwd_phenology"}
    assert "Copernicus" in pollen.attrs["credit"]


def test_pollen_files_in_the_practices_folder_are_read(world):
    """The folder is named from the practice's own."""
    (world.folder / "trap").mkdir()
    (world.folder / "trap" / "2026.csv").write_text(
        "region,date,allergen,value\nzurich,2026-04-14,birch,312\nzurich,2026-04-15,birch,0\n"
    )
    long_ago = datetime(2026, 4, 16, tzinfo=UTC).timestamp()
    os.utime(world.folder / "trap" / "2026.csv", (long_ago, long_ago))
    trap = '[[pull]]\nsource = "pollen_files"\noptions = { folder = "trap" }\n'
    (world.folder / "practice.toml").write_text(PRACTICE + trap)
    (done,) = world.pull()
    assert done.failures == []
    pollen = open_climate(world.practice()).pollen()
    birch = pollen["pollen"].sel(source="pollen_files", region="zurich", allergen="birch")
    assert birch.values.tolist() == [312, 0]
    assert pollen["value_kind"].values.tolist() == ["measured"]


@pytest.mark.usefixtures("three_years")
def test_two_sources_of_weather_are_joined_and_the_pull_says_how(world):
    """The second gives the two days that the first is later: 2 days of 2 places, 7 variables."""
    power = FakePower()
    world.server.routes.update(power.routes())
    world.use("open_meteo_archive", "nasa_power")
    assert [one.failures for one in world.pull()] == [[], []]
    store = open_climate(world.practice())
    assert store.newest_days("weather", "nasa_power")["berlin"] == date(2026, 6, 7)
    assert any(line.startswith("nasa_power fills 28 values, moved") for line in world.said)
    weather = store.weather(sources=["open_meteo_archive", "nasa_power"])
    assert weather["time"].values[-1] == np.datetime64("2026-06-07")
    assert store.weather(sources=["nasa_power"])["rsds"].isnull().all()  # it stood still, by fake


def test_regions_without_an_area_do_not_stop_the_others_the_day_after(world):
    """One region has an area of the index and the other has none: both days come."""
    index = FakePollenIndex()
    world.server.routes.update(index.routes())
    world.use(
        "dwd_pollen_index", options='options = { areas = { berlin = 50, zurich = "none" } }\n'
    )
    for n in (0, 1):
        (done,) = world.pull(NOW + timedelta(days=n))
        assert done.failures == []
    held = open_climate(world.practice()).pollen(quantity="pollen_index")
    assert list(held["region"].values) == ["berlin"]
    assert held["pollen_index"].notnull().any()


def test_a_region_too_far_from_every_station_does_not_stop_the_others_the_day_after(world):
    """Berlin has no Swiss station: Zurich's counts come on both days; alone it is a failure."""
    service = FakeMeteoSwiss(today=NOW.date())
    world.server.routes.update(service.routes())
    world.use("meteoswiss_pollen")
    for n in (0, 1):
        service.today = NOW.date() + timedelta(days=n)
        (done,) = world.pull(NOW + timedelta(days=n))
        assert done.failures == []
        assert "no station near enough" in {one.check for one in done.findings}
        held = open_climate(world.practice()).pollen()
        # the newest day of the recent file is yesterday's
        assert held["time"].values[-1] == np.datetime64(NOW.date() + timedelta(days=n - 1))
        assert held["pollen"].isel(time=-1).notnull().any()
    settings = world.folder / "practice.toml"
    zurich = settings.read_text().index('[[region]]\nid = "zurich"')
    berlin = settings.read_text().index('[[region]]\nid = "berlin"')
    text = settings.read_text()
    settings.write_text(text[:zurich] + text[berlin:])
    (done,) = world.pull(NOW + timedelta(days=2))
    assert "none of its 3 stations is within" in done.failures[0]


# ------------------------------------------------------------------------------ nothing can be new
@pytest.mark.usefixtures("three_years")
def test_what_was_asked_within_hours_is_not_asked_again(world):
    """No request and no commit; six hours later it is, and by name at any time."""
    assert find_source("open_meteo_archive").fresh_hours == 6
    world.pull()
    store = open_climate(world.practice())
    before = store.head()
    world.server.asked.clear()
    (done,) = world.pull(NOW + timedelta(hours=5))
    assert world.server.asked == []
    assert store.head() == before
    assert done.failures == []
    assert "asked less than 6 h ago" in done.sentence
    world.pull(NOW + timedelta(hours=5), only="open_meteo_archive")
    assert len(world.server.asked) == 1
    world.pull(NOW + timedelta(hours=10))  # five after the one by name
    assert len(world.server.asked) == 1
    world.pull(NOW + timedelta(hours=12))
    assert len(world.server.asked) == 2


@pytest.mark.usefixtures("three_years")
def test_what_lacks_days_is_asked_within_hours_all_the_same(world):
    """A region that is new, all its days; and one whose last request failed."""
    one, _, rest = PRACTICE.partition('[[region]]\nid = "berlin"')
    dosing = rest[rest.index("[dosing]") :]
    pulls = (world.folder / "practice.toml").read_text().partition("[[pull]]")
    (world.folder / "practice.toml").write_text(one + dosing + "".join(pulls[1:]))
    world.pull()
    world.server.asked.clear()
    world.use("open_meteo_archive")
    world.server.fail(status(404))
    (done,) = world.pull(NOW + timedelta(hours=1))
    assert "404" in done.failures[0]
    assert {a.one("latitude") for a in world.server.asked} == {"52.52"}
    world.server.heal()
    (done,) = world.pull(NOW + timedelta(hours=2))
    assert done.failures == []
    assert world.spans_asked[-1] == ("2023-01-01", "2026-06-05")
    assert open_climate(world.practice()).weather()["tas"].notnull().all()


def test_a_run_ahead_is_asked_again_when_a_newer_one_may_be_there(world):
    """Three hours after the last that came whole, and at once where it failed."""
    assert find_source("open_meteo_forecast").fresh_hours == 3
    world.use("open_meteo_forecast")
    for hours, n_asked in ((0, 1), (2, 1), (4, 2)):
        world.pull(NOW + timedelta(hours=hours))
        assert len(world.server.asked) == n_asked
    world.server.fail(status(404))
    for hours, n_asked in ((8, 3), (9, 4)):
        world.pull(NOW + timedelta(hours=hours))
        assert len(world.server.asked) == n_asked


def test_sources_of_a_kind_can_be_pulled_alone(world):
    """As the clock does; where no source is of that kind nothing is done."""
    world.use("open_meteo_archive", "open_meteo_forecast", "open_meteo_pollen")
    done = world.pull(kinds=["forecast", "pollen"])
    assert [one.source.kind for one in done] == ["forecast", "pollen"]
    assert world.pull(kinds=["phenology"]) == []
    with pytest.raises(SourceError, match="kind 'wether' was asked; allowed are weather, fore"):
        world.pull(kinds=["wether"])


# ------------------------------------------------------------------------------ something fails
def test_a_first_pull_that_breaks_off_keeps_what_came_and_goes_on_there(world, monkeypatch, clock):
    """One region a request, ten years each: the third request fails for good."""
    limits = find_source("open_meteo_archive").limits
    source = replace(
        find_source("open_meteo_archive"), limits=replace(limits, locations_per_request=1)
    )
    practice = world.practice()
    _, store = open_all(practice)
    answered = world.server.answer

    def fails_after_two(asked):
        if len(world.server.asked) > 2:
            return status_answer()
        return answered(asked)

    def status_answer():
        from local_server import Answer

        return Answer(503, b"busy", "text/plain")

    world.server.answer = fails_after_two
    broken = pull_source(practice, store, source, run_id="1", say=print, clock=clock.clock)
    assert len(broken.failures) == 1
    assert "503" in broken.failures[0]
    held = store.asked("weather", source.id)
    assert list(held) == ["zurich"]
    n_before = len(world.server.asked)
    n_spans = n_before - 5 + 1  # five tries of the one that failed
    assert n_spans == 3
    zurich = store.weather(regions=["zurich"])["tas"]
    assert zurich.notnull().any()

    world.server.answer = answered
    whole = pull_source(practice, store, source, run_id="2", say=print, clock=clock.clock)
    assert whole.failures == []
    assert store.asked("weather", source.id) == {"zurich": (FIRST, LAST), "berlin": (FIRST, LAST)}
    assert store.weather()["tas"].notnull().all()
    again = {(a.one("latitude"), a.one("start_date")) for a in world.server.asked[n_before:]}
    assert ("47.37", "2006-01-01") not in again


@pytest.mark.usefixtures("three_years")
def test_a_source_that_fails_is_a_line_and_the_others_go_on(world):
    """The archive answers in Fahrenheit; pollen comes all the same, and exit code is for later."""

    def drift(location: dict[str, Any]) -> None:
        if "daily_units" in location:
            location["daily_units"]["temperature_2m_mean"] = "furlong"

    world.fake.spoil = drift
    world.use("open_meteo_archive", "open_meteo_pollen")
    first, second = world.pull()
    assert "furlong" in first.failures[0]
    assert first.n_values == 0
    assert second.failures == []
    states = {run.job: run.state for run in runs(open_records(world.practice()))}
    assert states == {"pull open_meteo_archive": "failed", "pull open_meteo_pollen": "done"}
    world.fake.spoil = None
    first, _ = world.pull()
    assert first.failures == []
    assert open_climate(world.practice()).weather()["tas"].notnull().all()


def test_days_that_could_not_be_read_are_asked_again(world):
    """The reply of the first ten years has drifted: the rest is kept, the gap is repaired."""

    def drift(location: dict[str, Any]) -> None:
        if location["daily"]["time"][0] == "2006-01-01":
            del location["daily"]["temperature_2m_mean"]

    world.fake.spoil = drift
    (done,) = world.pull()
    assert len(done.failures) == 1
    store = open_climate(world.practice())
    assert store.asked("weather", "open_meteo_archive") == {}
    assert done.n_values > 0
    world.fake.spoil = None
    world.pull()
    assert store.weather()["tas"].notnull().all()
    assert store.asked("weather", "open_meteo_archive")["zurich"] == (FIRST, LAST)


def test_a_run_ahead_that_came_in_part_does_not_replace_the_last(world, clock):
    """What is held stays, whole, until a whole one comes."""
    world.use("open_meteo_forecast")
    world.pull()
    practice = world.practice(NOW + timedelta(days=1))
    _, store = open_all(practice)
    before = store.head()
    world.fake.today += timedelta(days=1)
    world.server.fail(status(500))
    source = find_source("open_meteo_forecast")
    done = pull_source(practice, store, source, run_id="2", say=print, clock=clock.clock)
    assert "500" in done.failures[0]
    assert store.head() == before
    world.server.heal()
    pull_source(practice, store, source, run_id="3", say=print, clock=clock.clock)
    newest = store.weather_ahead("open_meteo_forecast")["time"].values[0]
    assert newest == np.datetime64("2026-06-11")


def test_a_pull_commits_on_the_way(world, monkeypatch):
    """So that a killed one loses little: here after each reply."""
    table = load_table("jobs.sources", "pull.toml")
    key = "commit.values"
    small = replace(
        table, parameters={**table.parameters, key: replace(table.parameters[key], value=1)}
    )
    monkeypatch.setattr(pulling, "load_table", lambda *_: small)
    (done,) = world.pull()
    assert done.n_replies == 3
    store = open_climate(world.practice())
    assert len(store.provenance()) == 3
    assert store.asked("weather", "open_meteo_archive")["berlin"] == (FIRST, LAST)
    assert store.weather()["tas"].notnull().all()


def test_a_pull_that_is_stopped_is_seen_and_goes_on_where_it_stopped(world, monkeypatch):
    """Stopped by hand after the first ten years were committed: those are not asked again."""
    table = load_table("jobs.sources", "pull.toml")
    key = "commit.values"
    few = replace(
        table, parameters={**table.parameters, key: replace(table.parameters[key], value=1)}
    )
    monkeypatch.setattr(pulling, "load_table", lambda *_: few)

    def stop(line: str) -> None:
        if "values kept" in line:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pull(world.practice(), say=stop, clock=world.clock.clock)
    (run,) = runs(open_records(world.practice()))
    assert (run.state, run.result) == ("failed", "stopped by KeyboardInterrupt")
    store = open_climate(world.practice())
    first, last = store.asked("weather", "open_meteo_archive")["zurich"]
    assert first == FIRST
    assert last < date(2017, 1, 1)
    world.server.asked.clear()
    world.pull()
    assert min(start for start, _ in world.spans_asked) > "2015-01-01"
    assert store.weather()["tas"].notnull().all()


def test_the_free_hosts_are_not_asked_without_leave(world):
    """The sentence tells the terms."""
    (world.folder / "practice.toml").write_text(
        PRACTICE + '[[pull]]\nsource = "open_meteo_archive"'
    )
    (done,) = world.pull()
    assert "non-commercial" in done.failures[0]
    assert world.server.asked == []


def test_a_source_that_is_not_named_is_refused(world):
    """With those that are."""
    with pytest.raises(SourceError, match="names open_meteo_archive under"):
        pull(world.practice(), only="nasa_power", say=print)
