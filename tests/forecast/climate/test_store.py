"""The climate store: newest value first, older snapshots unchanged, one writer at a time."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
import zarr

from forecast.climate import ClimateError, ClimateStore, open_climate
from forecast.climate import store as store_module
from forecast.climate.flowering_table import merge_flowering
from forecast.climate.weather_arrays import merge_weather, read_layers
from forecast.climate.writer_lock import writer_lock
from forecast.practice import create_practice

ROOT = Path(__file__).parents[3]


def tas(weather: xr.Dataset, region: str, day: str) -> float:
    return float(weather["tas"].sel(region=region, time=day))


def test_weather_comes_back_as_it_went_in(store, append, house_weather):
    """Values, units, places and days; float32 in the store keeps more digits than are measured."""
    given = house_weather(tas=9.3)
    append(given)
    held = store.weather()
    assert held["tas"].dims == ("region", "time")
    assert held["region"].values.tolist() == ["north", "south"]
    np.testing.assert_allclose(held["tas"], 9.3, rtol=1e-6)
    assert held["tas"].attrs["units"] == "degC"
    assert held["tas"].attrs["cell_methods"] == "time: mean"
    assert held["latitude"].values.tolist() == [37.5, 37.5]
    pd.testing.assert_index_equal(
        pd.DatetimeIndex(held["time"].values).as_unit("ns"),
        pd.DatetimeIndex(given["time"].values).as_unit("ns"),
    )


def test_a_revised_day_wins_now_and_the_old_snapshot_stays(store, append, house_weather):
    """The correction is seen at the head, what was held then is still to be read."""
    before = append(house_weather(tas=10))
    after = append(house_weather(first="2024-01-10", n_days=3, tas=11))
    assert store.head() == after
    assert tas(store.weather(), "north", "2024-01-09") == 10
    assert tas(store.weather(), "north", "2024-01-10") == 11
    assert store.weather().sizes["time"] == 12
    old = store.weather(snapshot=before)
    assert tas(old, "north", "2024-01-10") == 10
    assert old.sizes["time"] == 10


def test_a_value_missing_in_a_later_delivery_does_not_wipe_the_one_held(
    store, append, house_weather
):
    """A gap in a pull is no correction."""
    append(house_weather(tas=10))
    append(house_weather(tas=np.nan, hurs=70))
    assert tas(store.weather(), "north", "2024-01-05") == 10
    assert float(store.weather()["hurs"].sel(region="north", time="2024-01-05")) == 70


def test_the_very_same_delivery_again_changes_nothing(store, append, house_weather):
    """A repeated import is harmless; one retrieved later is a commit, as it tells of freshness."""
    first = append(house_weather())
    assert append(house_weather()) == first == store.head()
    later = append(house_weather(), retrieved_at=datetime.fromisoformat("2024-06-02T05:00+00:00"))
    assert later != first
    assert store.sources()[0].retrieved_at.day == 2
    dated = append_dates(store, dates("2024-04-01"))
    assert append_dates(store, dates("2024-04-01")) == dated == store.head()


def test_new_regions_and_earlier_days_find_their_place(store, append, house_weather):
    """A region that joins has no value before; days before the first shift nothing else."""
    append(house_weather(regions=("north", "south"), tas=1))
    append(house_weather(regions=("west", "south"), first="2024-01-09", n_days=4, tas=2))
    append(house_weather(regions=("west",), first="2023-12-30", n_days=1, tas=3))
    held = store.weather()
    assert held["region"].values.tolist() == ["north", "south", "west"]
    assert f"{pd.Timestamp(held['time'].values[0]):%Y-%m-%d}" == "2023-12-30"
    expected = {
        ("north", "2024-01-01"): 1.0,
        ("north", "2024-01-11"): np.nan,
        ("south", "2024-01-08"): 1.0,
        ("south", "2024-01-12"): 2.0,
        ("west", "2024-01-08"): np.nan,
        ("west", "2024-01-09"): 2.0,
        ("west", "2023-12-30"): 3.0,
        ("north", "2023-12-30"): np.nan,
        ("west", "2023-12-31"): np.nan,
    }
    for (region, day), value in expected.items():
        np.testing.assert_equal(tas(held, region, day), value)


def test_days_left_out_of_a_delivery_are_missing_not_shifted(store, append, house_weather):
    """The time axis has every day."""
    append(house_weather(tas=1).isel(time=[0, 1, 5]))
    held = store.weather()
    assert held.sizes["time"] == 6
    assert np.isnan(tas(held, "north", "2024-01-04"))
    assert tas(held, "north", "2024-01-06") == 1


def test_reading_until_a_day_never_shows_a_later_one(store, append, house_weather):
    """The day itself is the last."""
    append(house_weather())
    held = store.weather(until=date(2024, 1, 4), regions=["south"])
    assert held["region"].values.tolist() == ["south"]
    assert pd.Timestamp(held["time"].values[-1]) == pd.Timestamp("2024-01-04")
    with pytest.raises(ClimateError, match="begins on 2024-01-01"):
        store.weather(until=date(2023, 12, 31))


def test_where_two_sources_gave_a_value_the_order_asked_for_decides(store, append, house_weather):
    """A second source fills what the first has not, and never mixes in silently."""
    append(house_weather(n_days=2, tas=1), source="stations")
    append(house_weather(n_days=4, tas=2), source="model", credit="A centre")
    first = store.weather()["tas"].sel(region="north").values.tolist()
    assert first == [1, 1, 2, 2]
    other = store.weather(sources=["model", "stations"])
    assert other["tas"].sel(region="north").values.tolist() == [2, 2, 2, 2]
    only = store.weather(sources=["stations"])
    np.testing.assert_array_equal(only["tas"].sel(region="north"), [1, 1, np.nan, np.nan])
    assert only.attrs["credit"] == "An observatory"
    assert other.attrs["source"] == "model; stations"


def test_what_is_not_held_is_refused_by_name(store, append, house_weather):
    """Region, source and snapshot, each with what there is."""
    with pytest.raises(ClimateError, match="holds no weather yet"):
        store.weather()
    append(house_weather())
    with pytest.raises(ClimateError, match=r"'nroth' .* did you mean 'north'"):
        store.weather(regions=["nroth"])
    with pytest.raises(ClimateError, match="'satellite'"):
        store.weather(sources=["satellite"])
    with pytest.raises(ClimateError, match="no such snapshot"):
        store.weather(snapshot="00000000000000000000")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.drop_vars("latitude"), "latitude"),
        (lambda d: d.isel(time=[1, 0]), "in order"),
        (lambda d: d.assign_coords(time=d["time"] + np.timedelta64(9, "h")), "midnight"),
        (lambda d: d.assign(tas=d["tas"].assign_attrs(units="K")), "convert it first"),
        (lambda d: d.drop_vars(list(d.data_vars)), "at least one of"),
    ],
)
def test_weather_out_of_house_form_is_refused_and_nothing_is_kept(
    store, append, house_weather, change, words
):
    """The head is where it was."""
    head = store.head()
    with pytest.raises(ClimateError, match=words):
        append(change(house_weather()))
    assert store.head() == head


def test_a_failure_between_first_value_and_commit_leaves_no_trace(
    store, append, house_weather, monkeypatch
):
    """Half a delivery is never seen, and the lock is free again."""
    append(house_weather(tas=1))
    head = store.head()

    def fail(*_args: object) -> None:
        raise OSError("disk full")

    with monkeypatch.context() as patched:
        patched.setattr(store_module.Commit, "note_terms", fail)
        with pytest.raises(OSError, match="disk full"):
            append(house_weather(tas=2))
    assert store.head() == head
    assert tas(store.weather(), "north", "2024-01-01") == 1
    append(house_weather(tas=3))
    assert tas(store.weather(), "north", "2024-01-01") == 3


def test_every_commit_says_where_it_came_from(store, append, house_weather):
    """Source, licence, credit, retrieval, run and span, newest first; a run is found by its id."""
    first = append(house_weather(), run_id="r1")
    second = append(house_weather(first="2024-02-01", n_days=3), run_id="r2")
    newest, oldest = store.provenance()
    assert (newest.snapshot, oldest.snapshot) == (second, first)
    assert (oldest.source, oldest.licence, oldest.credit) == ("stations", "open", "An observatory")
    assert (newest.first_day, newest.last_day) == (date(2024, 2, 1), date(2024, 2, 3))
    assert newest.n_regions == 2
    assert store.snapshot_of_run("r1") == first
    assert store.snapshot_of_run("r9") is None
    assert [p.snapshot for p in store.provenance(snapshot=first)] == [first]


def test_the_terms_of_a_source_stand_beside_its_values_too(store, append, house_weather):
    """Commits expire one day; credit may not. The definition of a day is kept."""
    weather = house_weather()
    weather.attrs["day_definition"] = "local calendar day"
    append(weather)
    (terms,) = store.sources()
    assert (terms.source, terms.licence, terms.credit) == ("stations", "open", "An observatory")
    assert terms.day_definition == "local calendar day"
    assert store.weather().attrs["day_definition"] == "local calendar day"


def test_a_retrieval_without_offset_is_refused(store, append, house_weather):
    """Its age could not be told."""
    with pytest.raises(ClimateError, match="no offset"):
        append(house_weather(), retrieved_at=datetime(2024, 6, 1))


def test_a_tag_names_one_snapshot_for_good(store, append, house_weather):
    """Naming it again is no fault, naming another so is."""
    first = append(house_weather())
    second = append(house_weather(tas=11))
    store.tag("issue-1", first)
    store.tag("issue-1", first)
    assert store.tags() == {"issue-1": first}
    with pytest.raises(ClimateError, match="already names"):
        store.tag("issue-1", second)
    with pytest.raises(ClimateError, match="no such snapshot"):
        store.tag("issue-2", "00000000000000000000")


# ------------------------------------------------------------------------------ flowering
def dates(*days: str, species: str = "oak") -> pd.DataFrame:
    return pd.DataFrame(
        {"region": "north", "species": species, "stage": "flowering", "date": pd.to_datetime(days)}
    )


def append_dates(store: ClimateStore, frame: pd.DataFrame, source: str = "garden") -> str:
    return store.append_flowering(
        frame,
        source=source,
        licence="open",
        credit="A garden",
        retrieved_at=datetime.fromisoformat("2024-06-01T05:00+00:00"),
    )


def test_flowering_dates_come_back_as_of_a_snapshot_and_until_a_day(store):
    """Like weather: what was held, and what could be known."""
    assert store.flowering().empty
    first = append_dates(store, dates("2022-04-10", "2023-04-08"))
    append_dates(store, dates("2024-04-01"))
    assert store.flowering()["date"].dt.year.tolist() == [2022, 2023, 2024]
    assert store.flowering(snapshot=first)["date"].dt.year.tolist() == [2022, 2023]
    assert len(store.flowering(until=date(2023, 4, 8))) == 2
    assert len(store.flowering(until=date(2023, 4, 7))) == 1


def test_a_corrected_date_replaces_the_report_of_the_same_season_only(store):
    """Seasons are told apart by distance, not by calendar year, as one may cross New Year."""
    append_dates(store, dates("2021-01-03", "2021-12-28"))
    append_dates(store, dates("2020-12-30", "2023-01-05"))
    found = [f"{day:%Y-%m-%d}" for day in store.flowering()["date"]]
    assert found == ["2020-12-30", "2021-12-28", "2023-01-05"]
    append_dates(store, dates("2021-12-27", species="birch"))
    assert len(store.flowering()) == 4


def test_the_same_observations_from_another_file_are_held_once(store):
    """No row and no commit more: one observation that comes twice is one observation."""
    first = append_dates(store, dates("2022-04-10", "2023-04-08"))
    again = append_dates(store, dates("2022-04-10", "2023-04-08"), source="garden, second copy")
    assert again == first == store.head()
    assert store.flowering()["source"].tolist() == ["garden", "garden"]
    longer = append_dates(store, dates("2022-04-10", "2023-04-08", "2024-04-01"), source="newer")
    assert longer != first
    assert store.flowering()["source"].tolist() == ["garden", "garden", "newer"]


def test_a_corrected_date_from_another_file_replaces_the_first_in_the_newest_state(store):
    """The snapshot before it keeps what was held then."""
    first = append_dates(store, dates("2022-04-10", "2023-04-08"))
    append_dates(store, dates("2022-04-12"), source="corrections")
    found = [f"{day:%Y-%m-%d}" for day in store.flowering()["date"]]
    assert sorted(found) == ["2022-04-12", "2023-04-08"]
    assert store.flowering(snapshot=first)["date"].dt.day.tolist() == [10, 8]


def test_what_becomes_of_new_dates_is_counted():
    """Of four: one held already, one in place of another, one new, one twice in the file."""
    held = dates("2022-04-10", "2023-04-08").assign(source="garden")
    new = dates("2022-04-10", "2023-04-09", "2024-04-01", "2024-04-01").assign(source="newer")
    merged = merge_flowering(held, new)
    assert (merged.n_new, merged.n_corrected, merged.n_held_already) == (1, 1, 1)
    assert len(merged.frame) == 3


def test_flowering_dates_without_their_columns_are_refused(store):
    """The sentence lists what is needed."""
    with pytest.raises(ClimateError, match="region, species, stage, date"):
        append_dates(store, dates("2024-04-01").drop(columns="stage"))


# ------------------------------------------------------------------------------ one writer
def test_a_second_writer_waits_and_is_then_told_why_it_cannot_write(
    tmp_path, append, house_weather
):
    """The sentence says that another process writes; nothing of the second is kept."""
    append(house_weather())
    impatient = ClimateStore.open(tmp_path, wait_seconds=0.2)
    head = impatient.head()
    with writer_lock(tmp_path, 1), pytest.raises(ClimateError, match="another process") as refused:
        append_dates(impatient, dates("2024-04-01"))
    assert "0.2 s" in str(refused.value)
    assert impatient.head() == head
    append_dates(impatient, dates("2024-04-01"))


def test_writers_that_take_turns_lose_no_commit(tmp_path, house_weather):
    """Two writers, five commits each: every region of both is there in the end."""
    stores = {"a": ClimateStore.open(tmp_path), "b": ClimateStore.open(tmp_path)}

    def write(name: str) -> None:
        for number in range(5):
            stores[name].append_weather(
                house_weather(regions=(f"{name}{number}",)),
                source="stations",
                licence="open",
                credit="An observatory",
                retrieved_at=datetime.fromisoformat("2024-06-01T05:00+00:00"),
            )

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(write, stores))
    held = ClimateStore.open(tmp_path)
    expected = {f"{name}{number}" for name in "ab" for number in range(5)}
    assert set(held.weather()["region"].values) == expected
    assert len(held.provenance()) == 10


def test_a_reader_is_not_stopped_by_a_writer(tmp_path, store, append, house_weather):
    """Reading takes no lock."""
    append(house_weather())
    with writer_lock(tmp_path, 1):
        assert ClimateStore.open(tmp_path, wait_seconds=0).weather().sizes["time"] == 10


def test_a_fresh_process_says_nothing_but_what_it_is_asked(tmp_path):
    """The storage library's warning on standard output would spoil a command's output."""
    code = (
        "import sys; from forecast.climate import ClimateStore; "
        "print(len(ClimateStore.open(sys.argv[1]).head()))"
    )
    told = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, str(tmp_path)],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert (told.stdout, told.stderr) == ("20\n", "")


def test_the_store_of_a_practice_is_in_its_folder(tmp_path):
    """Opened by its own room, made on first use."""
    practice = create_practice(tmp_path / "practice")
    assert open_climate(practice).folder == practice.climate_folder
    with pytest.raises(ClimateError, match="does not exist"):
        ClimateStore.open(tmp_path / "nowhere")


def test_a_commit_of_eight_regions_and_22_years_takes_less_than_a_second(append, house_weather):
    """Measured on the second commit: the first also loads the libraries."""
    append(house_weather())
    regions = tuple(f"r{number}" for number in range(8))
    weather = house_weather(regions=regions, first="2024-01-01", n_days=8035)
    started = time.process_time()
    append(weather)
    assert time.process_time() - started < 1.0


def test_a_store_older_than_a_variable_is_read_and_takes_it_from_then_on(house_weather):
    """Days before it are not known, days after it are."""
    root = zarr.group(store=zarr.storage.MemoryStore())
    merge_weather(root, house_weather(), "stations")
    del root["weather_observed"]["tdps"]

    def dew() -> np.ndarray:
        group = root["weather_observed"]
        layers = read_layers(group, until=None, regions=["north"], sources=["stations"])
        return layers["tdps"].values[0, 0]

    assert np.isnan(dew()).all()
    merge_weather(root, house_weather(first="2024-01-11", n_days=2), "stations")
    assert np.isnan(dew()[:10]).all()
    assert dew()[10:].tolist() == [3.0, 3.0]
