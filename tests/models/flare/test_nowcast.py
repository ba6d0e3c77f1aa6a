"""Weeks that have come in in part: learnt from as thinned counts, and foretold as a whole."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from models.flare.forecaster import VisitForecaster, counted
from models.flare.nowcast import nowcast, whole_count
from models.weeks import week_range

REGIONS = ["north", "south"]


def make_weekly(*, last_share: float, factor: float = 1.0, seed: int = 0):
    """Invent three years of counts whose newest week has come in in part.

    In that week `factor` times the usual flares happen. Returns weeks, drivers and the true counts.
    """
    rng = np.random.default_rng(seed)
    weeks = week_range(date(2020, 1, 6), 160)
    dims, coords = ("region", "week"), {"region": REGIONS, "week": weeks}
    volume = rng.poisson(300, (2, 160)).astype(float)
    rate = np.full((2, 160), 0.1)
    rate[:, -1] *= factor
    visits = rng.poisson(volume * rate).astype(float)
    truth = xr.Dataset({"v": (dims, visits), "c": (dims, volume)}, coords=coords)
    weekly = xr.Dataset(
        {
            "flare_visits": (dims, visits),
            "consultations": (dims, volume),
            "covered_share": (dims, np.zeros((2, 160))),
        },
        coords=coords,
    )
    newest = xr.DataArray(np.arange(160) == 159, dims="week", coords={"week": weeks})
    so_far = {
        f"{name}_so_far": weekly[name]
        .copy(data=rng.binomial(weekly[name].astype(int), last_share).astype(float))
        .where(newest)
        for name in ("flare_visits", "consultations")
    }
    share = xr.where(newest, last_share, 1.0).broadcast_like(weekly["consultations"])
    weekly = weekly.where(~newest).assign(so_far | {"reported_share": share})
    weekly["covered_share"] = truth["v"] * 0.0
    drivers = xr.DataArray(
        np.zeros((1, 2, 160)), dims=("driver", *dims), coords={"driver": ["humidity"], **coords}
    )
    return weekly, drivers, truth


def test_a_whole_count_is_what_came_and_what_bayes_says_of_the_rest():
    """By hand: size 5, mean 10, 6 seen of a half: rest is NB of size 11 and mean 5.5 / 1.

    0.5 * (5 + 6) / (5 / 10 + 0.5) = 5.5. Without spread beyond chance the rest is Poisson(5).
    """
    found = whole_count(np.array(6.0), np.array(0.5), np.array(10.0), size=5.0)
    np.testing.assert_array_equal(
        found, 6 + stats.nbinom.ppf([0.05, 0.5, 0.95], 11, 11 / (11 + 5.5))
    )
    plain = whole_count(np.array(6.0), np.array(0.5), np.array(10.0), size=np.inf)
    np.testing.assert_array_equal(plain, 6 + stats.poisson.ppf([0.05, 0.5, 0.95], 5.0))


def test_what_has_all_come_in_is_no_guess():
    """Of nothing left nothing can come."""
    found = whole_count(np.array(6.0), np.array(1.0), np.array(10.0), size=5.0)
    np.testing.assert_array_equal(found, [6, 6, 6])


def test_the_newest_week_is_foretold_and_the_whole_ones_are_not():
    """Of 40 weeks of half the visits, nine tenths of the bands hold the truth (3 sd: 0.76-1)."""
    held = []
    for seed in range(5):
        weekly, drivers, truth = make_weekly(last_share=0.5, seed=seed)
        fitted = VisitForecaster(()).fit(weekly, drivers)
        found = nowcast(fitted, weekly, drivers)
        assert found["week"].values.tolist() == weekly["week"].values[-1:].tolist()
        for name, came in (("flare_visits", truth["v"]), ("consultations", truth["c"])):
            low, _, high = found[name].isel(week=0).values
            whole = came.isel(week=-1).values
            held += list((low <= whole) & (whole <= high))
    assert np.mean(held) >= 0.7


def test_a_model_that_was_kept_foretells_the_same_week():
    """Issues of the days after rest on the model's file; one kept before it held it tells none."""
    weekly, drivers, _ = make_weekly(last_share=0.5)
    fitted = VisitForecaster(()).fit(weekly, drivers)
    stored = fitted.to_dict()
    again = VisitForecaster.from_dict(stored, fitted.past_)
    told = nowcast(again.updated(weekly, drivers), weekly, drivers)
    xr.testing.assert_identical(told, nowcast(fitted, weekly, drivers))
    for engine in ("pressure", "volume"):
        del stored[engine]["regression"]["total_size"]
    before = VisitForecaster.from_dict(stored, fitted.past_)
    told = nowcast(before.updated(weekly, drivers), weekly, drivers)
    assert bool(told["flare_visits"].isnull().all())


def test_a_week_of_which_next_to_nothing_has_come_in_tells_nothing():
    """A tenth is below what the table takes: neither learnt from nor foretold."""
    weekly, drivers, _ = make_weekly(last_share=0.1)
    one = counted(weekly)
    assert one.visits.isel(week=-1).isnull().all()
    fitted = VisitForecaster(()).fit(weekly, drivers)
    assert nowcast(fitted, weekly, drivers).sizes["week"] == 0


def test_a_part_of_a_week_is_no_quiet_week():
    """Half of the volume has come in: its known part is the log of a half, and of others zero."""
    weekly, _, _ = make_weekly(last_share=0.5)
    one = counted(weekly)
    np.testing.assert_allclose(one.come_in.isel(week=-1), np.log(0.5))
    np.testing.assert_allclose(one.come_in.isel(week=slice(None, -1)), 0.0)
    so_far = weekly["consultations_so_far"].isel(week=-1)
    np.testing.assert_allclose(one.offset.isel(week=-1), np.log(so_far))


@pytest.mark.parametrize(("share", "learnt"), [(0.4, False), (0.6, True), (np.nan, True)])
def test_weeks_mostly_closed_are_not_learnt_from(share, learnt):
    """Open on two days of five: left out; on three: not; where nobody tells: as counted."""
    weekly, _, _ = make_weekly(last_share=0.5)
    share = xr.full_like(weekly["consultations"], 1.0).where(
        weekly["week"] != weekly["week"].values[5], share
    )
    one = counted(weekly.assign(open_share=share))
    for values in (one.visits, one.volume):
        assert bool(values.isel(week=5).notnull().all()) == learnt
        assert bool(values.isel(week=6).notnull().all())


@pytest.mark.parametrize(("share", "full"), [(0.4, False), (0.6, True), (np.nan, False)])
def test_weeks_of_full_days_are_lower_bounds_where_they_are_known(share, full):
    """From half of the visits on; where nobody tells, a week counts as it was counted."""
    weekly, _, _ = make_weekly(last_share=0.5)
    told = xr.full_like(weekly["consultations"], 0.0).where(
        weekly["week"] != weekly["week"].values[5], share
    )
    found = counted(weekly.assign(full_share=told)).full
    assert found is not None
    assert found.isel(week=5).values.tolist() == [full, full]
    nobody = xr.full_like(told, np.nan)
    assert counted(weekly.assign(full_share=nobody)).full is None
