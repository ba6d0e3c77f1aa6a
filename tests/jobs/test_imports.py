"""One door for every kind of file: what is kept, what is said, what is written down."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from forecast.climate import ClimateError, open_climate
from forecast.practice import create_practice
from forecast.records import open_records
from forecast.records.care import therapies
from forecast.records.runs import runs
from jobs.imports import KINDS, ImportRefusedError, import_file
from models.errors import ForepawError

NOW = datetime(2022, 6, 28, 23, tzinfo=UTC)


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


@pytest.fixture
def weather_of(tmp_path, make_weather, write_weather):
    """Give a function that writes a short weather file of named stations."""

    def write(*stations: str, name: str = "weather.nc", seed: int = 0):
        path = tmp_path / name
        span = {"first": "2022-01-01", "last": "2022-03-31"}
        write_weather(path, make_weather(**span, regions=stations, seed=seed))
        return path

    return write


def test_every_kind_that_readme_names_has_a_door():
    """Fourteen kinds of file."""
    assert set(KINDS) == {
        *("weather", "flowering", "branches", "closures", "dogs"),
        *("visits", "therapies", "facts", "scores"),
        *("reactions", "vaccinations", "medicines", "tests", "staff"),
    }


def test_weather_of_the_practice_s_regions_is_kept_and_the_rest_left(practice, weather_of):
    """A region that the file does not have is said; its credit and its run go along."""
    done = import_file(practice, "weather", weather_of("elsewhere", "north"))
    assert done.sentence == (
        "weather.nc: daily weather of north from 2022-01-01 to 2022-03-31; "
        "it has no weather of south"
    )
    store = open_climate(practice)
    held = store.weather()
    assert held["region"].values.tolist() == ["north"]
    assert held.attrs["credit"] == "Weather made up for a test."
    (run,) = runs(open_records(practice))
    assert store.snapshot_of_run(run.id) == store.head()


def test_weather_of_other_places_alone_is_refused(practice, weather_of):
    """Both lists of names stand in the sentence, and the store stays empty."""
    with pytest.raises(
        ImportRefusedError, match="weather of elsewhere; the practice has the regions north, south"
    ):
        import_file(practice, "weather", weather_of("elsewhere"))
    with pytest.raises(ClimateError, match="holds no weather yet"):
        open_climate(practice).weather()


def test_the_same_weather_again_makes_no_snapshot_and_corrected_weather_does(practice, weather_of):
    """Whenever it is imported; a corrected file wins over the earlier one."""
    path = weather_of("north", "south")
    import_file(practice, "weather", path)
    store = open_climate(practice)
    first, before = store.head(), store.weather()
    later = replace(practice, now=datetime(2022, 7, 28, 23, tzinfo=UTC))
    import_file(later, "weather", path)
    assert store.head() == first
    import_file(later, "weather", weather_of("north", "south", name="corrected.nc", seed=7))
    assert store.head() != first
    assert not store.weather()["tas"].equals(before["tas"])
    assert store.weather(snapshot=first)["tas"].equals(before["tas"])


def test_a_file_is_said_to_have_come_when_it_came_to_this_machine(practice, weather_of):
    """Not when it happened to be imported."""
    path = weather_of("north", "south")
    came = datetime(2022, 4, 1, 6, tzinfo=UTC)
    os.utime(path, (came.timestamp(), came.timestamp()))
    import_file(practice, "weather", path)
    (source,) = open_climate(practice).sources()
    assert source.retrieved_at == came


def test_flowering_of_other_places_is_left_out_and_counted(practice, tmp_path):
    """None of the practice's own is a refusal."""
    path = tmp_path / "flowering.csv"
    header = "region,species,stage,date\n"
    elsewhere = "elsewhere,cherry,flowering,2021-04-05\n"
    path.write_text(header + "north,cherry,flowering,2021-04-03\n" + elsewhere)
    done = import_file(practice, "flowering", path)
    assert done.sentence == (
        "flowering.csv: 1 flowering date of 1 plant: 1 new; 1 of other places left out"
    )
    assert open_climate(practice).flowering()["date"].tolist() == [pd.Timestamp("2021-04-03")]
    path.write_text(header + elsewhere)
    with pytest.raises(ImportRefusedError, match="no flowering dates of north, south"):
        import_file(practice, "flowering", path)


def test_flowering_dates_under_another_file_name_are_no_second_source(practice, tmp_path):
    """Held already, corrected, new: each is counted, and the store holds each season once."""
    first, second = tmp_path / "flowering.csv", tmp_path / "flowering again.csv"
    rows = [f"north,cherry,flowering,{day}\n" for day in ("2020-04-02", "2021-04-03")]
    header = "region,species,stage,date\n"
    first.write_text(header + "".join(rows))
    second.write_text(header + rows[0] + "north,cherry,flowering,2021-04-05\n")
    import_file(practice, "flowering", first)
    store = open_climate(practice)
    before = store.head()
    assert "held already" in import_file(practice, "flowering", first).sentence
    assert store.head() == before
    done = import_file(practice, "flowering", second)
    assert "2 flowering dates of 1 plant: 1 in place of another date of the same season" in (
        done.sentence
    )
    assert "1 held already" in done.sentence
    held = [f"{day:%Y-%m-%d}" for day in store.flowering()["date"]]
    assert sorted(held) == ["2020-04-02", "2021-04-05"]
    assert len(store.flowering(snapshot=before)) == 2


def test_therapies_are_classes_that_the_dosing_desk_knows(practice, tmp_path):
    """Any other word is found, with its row and what is allowed, and left out."""
    (tmp_path / "dogs.csv").write_text("dog,region\nD1,north\n")
    import_file(practice, "dogs", tmp_path / "dogs.csv")
    path = tmp_path / "therapies.csv"
    path.write_text(
        "dog,therapy,date,status\nD1,anti_il31_antibody,2022-01-03,given\n"
        "D1,miracle,2022-01-04,given\n"
    )
    done = import_file(practice, "therapies", path)
    (found,) = [f for f in done.findings if f.severity == "error"]
    assert (found.row, found.column) == (3, "therapy")
    assert "anti_il31_antibody" in found.allowed
    assert done.report is not None
    assert done.report.exists()
    assert len(therapies(open_records(practice))) == 1


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_that_is_not_there_is_refused_and_the_run_written_down(practice, tmp_path, kind):
    """By the kind of error, without its text."""
    with pytest.raises(ForepawError, match="cannot be read: no such file"):
        import_file(practice, kind, tmp_path / "Quillfeather.csv")
    (run,) = runs(open_records(practice))
    assert (run.job, run.state) == (f"import {kind}", "failed")
    assert run.result.startswith("stopped by ")
    assert "Quillfeather" not in run.result


def test_the_run_tells_how_many_rows_count_from_now_on(practice, tmp_path):
    """Two branches; the same file again brings none, so that no forecast is made anew for it."""
    file = tmp_path / "branches.csv"
    region = practice.settings.region[0].id
    rows = [f"{name},{name},{region},mon tue" for name in ("n1", "n2")]
    file.write_text("\n".join(["id,name,region,open_days", *rows]) + "\n")
    for minutes in range(2):
        later = replace(practice, now=NOW + timedelta(minutes=minutes))
        import_file(later, "branches", file)
    brought = [run.n_rows for run in runs(open_records(practice), job="import branches")]
    assert brought == [2, 0]
