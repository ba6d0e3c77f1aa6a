"""Exposure calibrated and moved by counts that were made from it: what was put in comes out."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from models.allergens import catalogue
from models.exposure import mean_season_total, scaled_exposure
from models.exposure_calibration import Calibration, calibrate, release_power
from models.outlook import ExposureModel, raw_exposure
from models.parameters import load_table
from models.streams import DrawStreams
from models.traces import continue_with_past_years

ORIGIN = np.datetime64("2021-06-08")
GRASS = catalogue()["grasses"]
LISTED = {"north": ("grasses",), "south": ("grasses",)}
SCALE, LATE, RICH = 700.0, 5.0, 3.0
N_YEARS = 5  # counted to their end, in the north alone


@pytest.fixture(scope="module")
def recent(weather):
    return weather.sel(time=slice("2004-06-01", None))


@pytest.fixture(scope="module")
def counts(recent) -> xr.Dataset:
    """Count grass five days later than modelled in the north, steadily but for the last year."""
    late = {"grasses": xr.zeros_like(recent["latitude"]) + LATE}
    raw = raw_exposure(recent, [GRASS], shift_days=late)["grasses"]
    index = scaled_exposure(raw, mean_season_total(raw, GRASS))
    noise = np.exp(np.random.default_rng(8).normal(0, 0.2, index.shape))
    rich = xr.where(index["time"].dt.year == 2021, RICH, 1.0)
    values = (SCALE * index * rich * noise).transpose("region", "time")
    counted = (values["region"] == "north") & (values["time"].dt.year > 2020 - N_YEARS)
    return xr.Dataset(
        {
            "counts": values.where(counted).expand_dims(allergen=["grasses"]),
            "measured": (("allergen", "region"), np.array([[1, 0]], dtype=np.int8)),
        }
    ).drop_vars("latitude")


@pytest.fixture(scope="module")
def model(recent, counts) -> ExposureModel:
    known = recent["time"] < ORIGIN
    return ExposureModel.fit(
        recent.sel(time=known),
        [GRASS],
        listed=LISTED,
        onsets={},
        counts=counts.sel(time=counts["time"] < ORIGIN),
    )[0]


@pytest.fixture(scope="module")
def traces(recent) -> xr.Dataset:
    past = recent.sel(time=recent["time"] < ORIGIN)
    return continue_with_past_years(past, ORIGIN, days=400, history_days=430)


def ahead(model, traces, counts, wanted=slice(None)):
    streams = DrawStreams([1], 60, ["north", "south"])
    return model.ahead(
        traces,
        {"grasses": GRASS},
        origin=ORIGIN,
        streams=streams,
        counts=counts,
        with_dates=False,
        wanted=wanted,
    ).weekly.sel(allergen="grasses")


def test_scale_and_onset_are_those_that_counts_were_made_with(model):
    """700 d m-3, and five days late: five years against two without make 5 x 5 / 7 for all regions.

    That of the region itself is (25 + 2 x 3.57) / 7 = 4.6; one without counts takes the common
    one. The spread left is the catalogue's two years' worth of seven.
    """
    learnt = model.calibration.learnt.sel(counted="grasses")
    assert float(learnt["counts_scale"].sel(region="north")) == pytest.approx(SCALE, rel=0.05)
    assert np.isnan(learnt["counts_scale"].sel(region="south"))
    np.testing.assert_allclose(learnt["counts_shift"], [4.59, 3.57], atol=0.3)
    spread = GRASS.number("onset_spread") * np.sqrt(2 / 7)
    assert float(model.onset_sd.sel(allergen="grasses")) == pytest.approx(spread, rel=0.1)


def test_counts_of_a_rich_season_raise_the_weeks_to_come(model, traces, counts):
    """Counted threefold so far: the four weeks ahead rise in both regions, more where counted."""
    usual, told = (ahead(model, traces, one) for one in (None, counts))
    weeks = slice("2021-06-07", "2021-07-04")
    risen = (told.sel(week=weeks).sum("week") / 1.0).mean("draw")
    risen = risen / usual.sel(week=weeks).sum("week").mean("draw")
    assert float(risen.sel(region="north")) > 1.5
    assert 1.0 < float(risen.sel(region="south")) < float(risen.sel(region="north"))


def test_counts_weigh_on_wanted_days_as_on_all(model, traces, counts):
    """Which days are asked for changes nothing of what counts say of them."""
    whole = ahead(model, traces, counts)
    part = ahead(model, traces, counts, wanted=slice("2021-05-24", "2021-07-04"))
    assert part.sizes["week"] == 6
    xr.testing.assert_equal(part, whole.sel(week=part["week"]))


def test_the_season_after_is_as_rich_as_usual(model, traces, counts):
    """Next spring's grass is not the one that is counted now."""
    usual, told = (ahead(model, traces, one) for one in (None, counts))
    weeks = slice("2022-04-01", "2022-06-20")
    ratio = told.sel(week=weeks).sum("week").mean("draw") / usual.sel(week=weeks).sum("week").mean(
        "draw"
    )
    np.testing.assert_allclose(ratio, 1.0, atol=0.35)


def test_yesterday_s_count_moves_this_week_and_no_later_one_does(model, traces, counts):
    """Ten times the last count raises the week; counts from the origin on may be anything."""
    yesterday = ORIGIN - np.timedelta64(1, "D")
    before = ahead(model, traces, counts)
    much = counts.copy(deep=True)
    much["counts"].loc[{"time": yesterday}] *= 10
    week = {"week": "2021-06-07", "region": "north"}
    moved = ahead(model, traces, much).sel(week).mean("draw") / before.sel(week).mean("draw")
    assert float(moved) > 1.1
    poisoned = counts.copy(deep=True)
    poisoned["counts"] = counts["counts"].where(counts["time"] < ORIGIN, 1e6)
    xr.testing.assert_identical(ahead(model, traces, poisoned), before)


def test_without_counts_in_season_draws_are_as_they_were(model, traces, counts):
    """Counts that ended last year leave every draw as it is without any."""
    old = counts.sel(time=slice(None, "2020-12-31"))
    xr.testing.assert_identical(ahead(model, traces, old), ahead(model, traces, None))


def test_a_model_comes_back_from_what_it_is_kept_as(model, traces, counts):
    """The same draws; and without counts there is no calibration to come back."""
    again = ExposureModel.from_dataset(model.to_dataset())
    xr.testing.assert_identical(ahead(again, traces, counts), ahead(model, traces, counts))
    assert Calibration.from_dataset(xr.Dataset()) is None


def test_no_counts_of_what_is_modelled_calibrate_nothing(recent, counts):
    """Counts of another plant, or without a single number, are no ground."""
    none = {"grasses": xr.zeros_like(recent["latitude"])}
    other = counts.assign_coords(allergen=["oak"])
    empty = counts.assign(counts=counts["counts"] * np.nan)
    for one in (other, empty):
        assert calibrate(recent, [GRASS], one, shift_days=none) is None


@pytest.mark.parametrize("power", [0.5, 1.5])
def test_the_response_to_weather_is_drawn_from_one_to_what_counts_say(power):
    """Counts that follow the release factor's power, over 2,000 days: to within a tenth."""
    rng = np.random.default_rng(5)
    shape, dims = (1, 2000), ("region", "time")
    released = xr.DataArray(np.exp(rng.normal(0, 0.8, shape)), dims=dims)
    rate = xr.full_like(released, 0.02)
    noise = np.exp(rng.normal(0, 0.3, shape))
    found = release_power(100 * rate * released**power * noise, rate, released)
    assert found == pytest.approx(power, abs=0.1)


def test_few_days_leave_the_response_as_it_is():
    """With fewer days in a row than the table asks for the power stays one."""
    n_days = int(load_table("models", "exposure_counts.toml").number("release.least_days"))
    few = xr.DataArray(np.full((1, n_days), 0.02), dims=("region", "time"))
    assert release_power(few * 10, few, few) == 1.0
