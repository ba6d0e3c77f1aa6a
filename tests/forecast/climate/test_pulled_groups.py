"""Pollen, runs that look ahead, and which days were asked for, in the climate store."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.climate import ClimateError

ORIGIN = {
    "licence": "open",
    "credit": "A network",
    "retrieved_at": datetime(2024, 6, 1, 5, tzinfo=UTC),
    "run_id": "run-1",
}


def pollen(
    *values: float, first: str = "2024-04-01", name: str = "pollen", kind: str = "measured"
) -> xr.Dataset:
    """Return birch pollen of the north, a value a day."""
    unit = {"pollen": "grains m-3", "pollen_index": "1"}[name]
    return xr.Dataset(
        {
            name: (
                ("region", "allergen", "time"),
                np.array(values, dtype=float)[None, None],
                {"units": unit, "value_kind": kind},
            )
        },
        coords={
            "region": ["north"],
            "allergen": ["birch"],
            "time": pd.date_range(first, periods=len(values)),
            **{c: ("region", [47.0]) for c in ("latitude", "longitude", "elevation")},
        },
        attrs={"day_definition": "UTC day"},
    )


def test_pollen_is_kept_by_source_and_says_how_it_came_about(store):
    """Measured and modelled stand beside each other, and are never joined."""
    store.append_pollen(pollen(3, 0, np.nan, 7), source="traps", **ORIGIN)
    model = pollen(40, 50, first="2024-04-03", kind="modelled")
    store.append_pollen(model, source="model", **ORIGIN)
    held = store.pollen()
    assert held["pollen"].dims == ("source", "region", "allergen", "time")
    assert held["value_kind"].sel(source="traps") == "measured"
    assert held["value_kind"].sel(source="model") == "modelled"
    birch = held["pollen"].sel(region="north", allergen="birch")
    np.testing.assert_array_equal(birch.sel(source="traps"), [3, 0, np.nan, 7])
    np.testing.assert_array_equal(birch.sel(source="model"), [np.nan, np.nan, 40, 50])
    assert held["pollen"].attrs["units"] == "grains m-3"
    assert {terms.source for terms in store.sources()} == {"traps", "model"}
    assert store.provenance()[0].subject == "pollen"
    assert store.provenance()[0].run_id == "run-1"


def test_a_later_pull_of_the_same_days_leaves_the_earlier_snapshot(store):
    """Days that a forecast of pollen corrected are read as they were from the snapshot."""
    before = store.append_pollen(pollen(1, 2), source="model", **ORIGIN)
    store.append_pollen(pollen(5, first="2024-04-02"), source="model", **ORIGIN)
    assert store.pollen()["pollen"].values.ravel().tolist() == [1, 5]
    assert store.pollen(snapshot=before)["pollen"].values.ravel().tolist() == [1, 2]
    assert store.pollen(until=date(2024, 4, 1))["pollen"].values.ravel().tolist() == [1]


def test_an_index_of_classes_never_becomes_a_concentration(store):
    """It is an array of its own; of the concentrations its source has none."""
    store.append_pollen(pollen(0.5, 3, name="pollen_index", kind="modelled"), source="i", **ORIGIN)
    assert store.pollen(quantity="pollen_index")["pollen_index"].values.ravel().tolist() == [0.5, 3]
    assert store.pollen()["pollen"].isnull().all()
    with pytest.raises(ClimateError, match="pollen of quantity 'index'"):
        store.pollen(quantity="index")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.assign(pollen=d["pollen"].assign_attrs(units="1")), "in '1'"),
        (lambda d: d.assign(pollen=d["pollen"].assign_attrs(value_kind="guessed")), "guessed"),
        (lambda d: d.rename(pollen="grains"), "pollen or pollen_index"),
        (lambda d: d.isel(time=[1, 0]), "in order"),
    ],
)
def test_pollen_that_does_not_say_what_it_is_is_refused(store, change, words):
    """And nothing of it is kept."""
    with pytest.raises(ClimateError, match=words):
        store.append_pollen(change(pollen(1, 2)), source="traps", **ORIGIN)
    with pytest.raises(ClimateError, match="holds no pollen yet"):
        store.pollen()


def test_a_source_is_measured_or_modelled_for_good(store):
    """The other kind under the same name is refused, and what is held stays."""
    store.append_pollen(pollen(1), source="traps", **ORIGIN)
    with pytest.raises(ClimateError, match="never mixed"):
        store.append_pollen(pollen(9, kind="modelled"), source="traps", **ORIGIN)
    assert store.pollen()["pollen"].values.ravel().tolist() == [1]


# ------------------------------------------------------------------------------ ahead
def run_ahead(tas: float, *, first: str, n_days: int = 3, n_members: int = 2) -> xr.Dataset:
    """Return a run of one variable, a degree more each member."""
    values = tas + np.arange(n_members)[None, :, None] + np.zeros((1, n_members, n_days))
    return xr.Dataset(
        {"tas": (("region", "member", "time"), values, {"units": "degC"})},
        coords={
            "region": ["north"],
            "member": np.arange(n_members),
            "time": pd.date_range(first, periods=n_days),
            **{c: ("region", [47.0]) for c in ("latitude", "longitude", "elevation")},
        },
    )


def test_a_run_replaces_the_one_before_and_older_ones_are_read_by_snapshot(store):
    """Also where the newer run is shorter and has other members; another source stays."""
    before = store.replace_weather_ahead(
        run_ahead(1.0, first="2024-06-01", n_days=4, n_members=3), source="one", **ORIGIN
    )
    store.replace_weather_ahead(run_ahead(9.0, first="2024-06-01"), source="two", **ORIGIN)
    store.replace_weather_ahead(run_ahead(5.0, first="2024-06-02"), source="one", **ORIGIN)
    new, old = store.weather_ahead("one"), store.weather_ahead("one", snapshot=before)
    assert dict(new.sizes) == {"region": 1, "member": 2, "time": 3}
    assert new["time"].values[0] == np.datetime64("2024-06-02")
    np.testing.assert_array_equal(new["tas"].sel(region="north", member=1), [6, 6, 6])
    assert dict(old.sizes) == {"region": 1, "member": 3, "time": 4}
    assert float(store.weather_ahead("two")["tas"].min()) == 9
    assert new.attrs["credit"] == "A network"
    assert list(new.data_vars) == ["tas"]
    with pytest.raises(ClimateError, match="'three'"):
        store.weather_ahead("three")
    with pytest.raises(ClimateError, match="no weather yet"):
        store.weather()  # what is ahead is no observed weather


# ------------------------------------------------------------------------------ asked
def test_which_days_were_asked_for_is_kept_with_the_values(store, append, house_weather):
    """Spans grow where they adjoin; one that leaves days between is not noted."""
    span = (date(2024, 1, 1), date(2024, 1, 10))
    append(house_weather(), asked={"north": span, "south": span})
    assert store.asked("weather", "stations") == {"north": span, "south": span}
    append(
        house_weather(first="2024-01-11"), asked={"north": (date(2024, 1, 11), date(2024, 1, 20))}
    )
    append(house_weather(first="2024-02-01"), asked={"south": (date(2024, 2, 1), date(2024, 2, 9))})
    held = store.asked("weather", "stations")
    assert held == {"north": (span[0], date(2024, 1, 20)), "south": span}
    assert store.asked("weather", "another") == {}
    assert store.asked("pollen", "stations") == {}


def test_days_for_which_a_service_had_nothing_are_noted_too(store):
    """Else a station that began late would be asked for its first years for ever."""
    span = (date(2004, 1, 1), date(2013, 12, 31))
    store.note_asked("weather", {"north": span}, source="stations", **ORIGIN)
    assert store.asked("weather", "stations") == {"north": span}
    assert store.provenance()[0].first_day == span[0]
    with pytest.raises(ClimateError, match="no weather yet"):
        store.weather()


def test_the_newest_day_of_a_source_is_that_of_its_last_value(store, append, house_weather):
    """By region; missing days at the end do not count, nor another source's."""
    weather = house_weather(n_days=5)
    weather["tas"].loc[{"region": "north", "time": "2024-01-05"}] = np.nan
    weather = weather[["tas"]]
    append(weather)
    append(house_weather(n_days=9), source="other")
    assert store.newest_days("weather", "stations") == {
        "north": date(2024, 1, 4),
        "south": date(2024, 1, 5),
    }
    assert store.newest_days("weather", "none") == {}
    store.append_pollen(pollen(3, 0, np.nan), source="traps", **ORIGIN)
    assert store.newest_days("pollen", "traps") == {"north": date(2024, 4, 2)}
