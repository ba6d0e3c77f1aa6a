"""Pollen as a forecast reads it: one series of a kind, nothing later than was known."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.climate import ClimateStore
from forecast.pollen_counts import exposure_is_from, known_pollen, one_series, pollen_read
from models.exposure_calibration import Calibration

DAYS = pd.date_range("2024-04-01", periods=4)
NAN = np.nan


def layers(**sources):
    """Return layers of birch in two regions, each source's kind, values and way of counting."""
    names = list(sources)
    values = np.array([[[sources[n][1]], [sources[n][2]]] for n in names], dtype=float)
    counting = np.array([[[sources[n][3]]] * 2 for n in names], dtype=float)
    dims = ("source", "region", "allergen", "time")
    return xr.Dataset(
        {"pollen": (dims, values), "counting": (dims, counting)},
        coords={
            "source": names,
            "value_kind": ("source", [sources[n][0] for n in names]),
            "region": ["north", "south"],
            "allergen": ["birch"],
            "time": DAYS,
        },
    )


UNSAID = [NAN] * 4


def test_what_was_measured_goes_before_what_was_modelled():
    """In the north traps, though two days short; in the south, where none stand, the model."""
    both = layers(
        model=("modelled", [1, 2, 3, 4], [5, 6, 7, 8], UNSAID),
        traps=("measured", [NAN, 20, 30, NAN], UNSAID, UNSAID),
    )
    one = one_series(both)
    np.testing.assert_array_equal(one["counts"][0], [[NAN, 20, 30, NAN], [5, 6, 7, 8]])
    np.testing.assert_array_equal(one["measured"][0], [1, 0])
    assert one.attrs["sources"] == ["model", "traps"]


def test_days_counted_the_older_way_are_left_out():
    """By eye for two days and by machine since: the two are not comparable."""
    one = one_series(layers(traps=("measured", [1, 2, 3, NAN], [4, 5, 6, 7], [0, 0, 1, NAN])))
    np.testing.assert_array_equal(one["counts"][0, 0], [NAN, NAN, 3, NAN])


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> ClimateStore:
    climate = ClimateStore.open(tmp_path_factory.mktemp("climate"))
    pollen = xr.Dataset(
        {
            "pollen": (
                ("region", "allergen", "time"),
                np.arange(4.0).reshape(1, 1, 4),
                {"units": "grains m-3", "value_kind": "measured"},
            )
        },
        coords={"region": ["north"], "allergen": ["birch"], "time": DAYS},
    )
    climate.append_pollen(
        pollen, source="traps", licence="none", credit="nobody", retrieved_at=datetime.now(UTC)
    )
    return climate


@pytest.mark.parametrize(("lag", "n_days"), [(None, 2), (0.5, 1), (1, 1), (2, 0)])
def test_days_that_could_not_be_known_are_not_seen(store, lag, n_days):
    """On 3 April those of the 1st and 2nd; of a source a day late that of the 1st alone."""
    lags = None if lag is None else {"traps": lag}
    known = known_pollen(
        store, ["north", "south"], snapshot=store.head(), origin=date(2024, 4, 3), lag_days=lags
    )
    found = 0 if known is None else int(known["counts"].notnull().sum())
    assert found == n_days


def test_a_store_without_pollen_gives_none(tmp_path):
    """Nothing was pulled: there is nothing to read, and no error."""
    climate = ClimateStore.open(tmp_path)
    assert known_pollen(climate, ["north"], snapshot=climate.head(), origin=DAYS[0].date()) is None


def test_an_issue_says_on_what_its_exposure_rests():
    """By weather alone, unless concentrations set it; then which, where, of what kind, how new."""
    assert exposure_is_from({}) == "Modelled from the weather; no pollen was measured."
    both = layers(
        model=("modelled", UNSAID, [5, 6, 7, 8], UNSAID),
        traps=("measured", [NAN, 20, 30, NAN], UNSAID, UNSAID),
    )
    learnt = xr.Dataset(
        {"counts_release_power": (("counted",), [1.0])}, coords={"counted": ["birch"]}
    )
    read = pollen_read(one_series(both), Calibration(learnt))
    assert [(one["kind"], one["regions"], one["until"]) for one in read] == [
        ("measured", ["north"], "2024-04-03"),
        ("modelled", ["south"], "2024-04-04"),
    ]
    assert pollen_read(None, None) == []
