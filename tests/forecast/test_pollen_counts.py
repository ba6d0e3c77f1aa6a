"""Pollen as a forecast reads it: one series of a kind, nothing later than was known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.climate import ClimateStore
from forecast.pollen_counts import exposure_is_from, known_pollen, one_series, pollen_read
from forecast.training import futures, read_model, train_with, write_model
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
        coords={
            "region": ["north"],
            "allergen": ["birch"],
            "time": DAYS,
            **{c: ("region", [47.0]) for c in ("latitude", "longitude", "elevation")},
        },
        attrs={"day_definition": "UTC day"},
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


ORIGIN_DAY = date(2022, 5, 10)


@pytest.fixture(scope="module")
def with_pollen(known):
    """Give what is known, without visits, with birch counted in the north in its seasons."""
    days = pd.date_range("2018-01-01", "2022-06-28")
    around = np.exp(-0.5 * ((days.day_of_year.to_numpy() - 120) / 9.0) ** 2)
    counts = xr.Dataset(
        {
            "counts": (("allergen", "region", "time"), 40.0 * around[None, None]),
            "measured": (("allergen", "region"), np.ones((1, 1), dtype=np.int8)),
        },
        coords={"allergen": ["birch"], "region": ["north"], "time": days},
        attrs={"sources": ["traps"]},
    )
    return replace(known, counts=None, pollen=counts)


def counted_until(everything, poisoned_from):
    """Return what is known on 10 May, counts being a thousandfold from a day on."""
    pollen = everything.pollen
    late = pollen["time"] >= np.datetime64(poisoned_from)
    counts = pollen["counts"].where(~late, 1000 * pollen["counts"])
    return replace(everything, pollen=pollen.assign(counts=counts)).before(ORIGIN_DAY)


def trained(then, places, cut):
    return train_with(then, places, cut=replace(cut, origin=ORIGIN_DAY), onsets={})


def birch_ahead(model, then):
    drawn = futures(model, then, n_weeks=4, n_draws=20, seed=[1, 2], with_dates=False)
    return drawn.exposure.weekly.sel(allergen="birch")


@pytest.fixture(scope="module")
def clean(with_pollen, places, cut):
    then = counted_until(with_pollen, "2030-01-01")
    model = trained(then, places, cut)
    return model, birch_ahead(model, then)


def test_no_count_from_the_origin_on_reaches_a_model_or_a_forecast(clean, with_pollen, places, cut):
    """Poisoned from the origin on, the same model by hash and the same draws come out."""
    model, usual = clean
    then = counted_until(with_pollen, ORIGIN_DAY)
    again = trained(then, places, cut)
    assert again.hash == model.hash
    assert birch_ahead(again, then).identical(usual)


def test_counts_of_the_week_before_move_a_forecast(clean, with_pollen):
    """The test above can fail: the same poison a week earlier lifts the week of the north."""
    model, usual = clean
    then = counted_until(with_pollen, ORIGIN_DAY - timedelta(days=7))
    week = {"week": "2022-05-09", "region": "north"}
    assert float(birch_ahead(model, then).sel(week).mean()) > 1.2 * float(usual.sel(week).mean())


def test_a_model_with_a_calibration_is_kept_and_read(clean, tmp_path):
    """Scale, onset and response stand in the file of the model."""
    model, _ = clean
    assert model.exposure.calibration is not None
    read = read_model(write_model(model, tmp_path))
    xr.testing.assert_identical(read.exposure.calibration.learnt, model.exposure.calibration.learnt)
