"""Draws spread about their median, by what earlier seasons showed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.flare.recalibration import best_factor, other_years, spread_again
from models.streams import DrawStreams


def draws_of(*values: int) -> xr.DataArray:
    """Return draws of one region and week."""
    return xr.DataArray(
        np.array(values)[:, None, None],
        dims=("draw", "region", "week"),
        coords={"region": ["a"], "week": pd.date_range("2024-01-01", periods=1)},
    )


def streams(n: int) -> DrawStreams:
    return DrawStreams([1], n, ["a"])


def test_distances_from_the_median_are_stretched_on_the_square_root():
    """Median 100: 144 is 2 off on the root, twice that is 14 squared; 64 goes to 6 squared."""
    found = spread_again(draws_of(64, 100, 144), 2.0, streams=streams(3))
    assert found.values.ravel().tolist() == [36, 100, 196]
    # what would fall below nothing is nothing
    assert spread_again(draws_of(0, 100, 144), 2.0, streams=streams(3)).values[0, 0, 0] == 0


def test_a_factor_of_one_changes_nothing_and_uses_no_chance():
    """The streams go on as if nobody had asked."""
    draws, one, two = draws_of(3, 5, 9), streams(3), streams(3)
    assert spread_again(draws, 1.0, streams=one) is draws
    assert np.array_equal(one.own_uniform(4), two.own_uniform(4))


@pytest.mark.parametrize(("drawn_sd", "factor"), [(0.5, 2.0), (1.0, 1.0), (1.25, 0.8)])
def test_the_factor_is_that_by_which_the_spread_was_wrong(drawn_sd, factor):
    """What came has a spread of 1 about the centre; 98 seasons hardly draw the factor to one."""
    rng = np.random.default_rng(1)
    drawn = 20.0 + drawn_sd * rng.standard_normal((200, 3, 600))
    came = 20.0 + rng.standard_normal((3, 600))
    found = best_factor([(drawn, came)], seasons=98)
    assert found == pytest.approx(factor**0.98, rel=0.08)


def test_few_seasons_draw_the_factor_to_one():
    """Two seasons against a prior worth two: half of the way on the log scale."""
    rng = np.random.default_rng(2)
    drawn = 20.0 + 0.5 * rng.standard_normal((200, 3, 600))
    came = 20.0 + rng.standard_normal((3, 600))
    assert best_factor([(drawn, came)], seasons=2) == pytest.approx(2.0**0.5, rel=0.05)


def test_what_is_not_known_tells_nothing():
    """No count at all: as drawn."""
    assert best_factor([(np.ones((5, 1, 4)), np.full((1, 4), np.nan))], seasons=3) == 1.0


def make_anomalies() -> xr.DataArray:
    """Return a driver that counts the weeks."""
    weeks = pd.date_range("2018-01-01", periods=52 * 5, freq="7D")
    return xr.DataArray(
        np.arange(len(weeks), dtype=float)[None, None],
        dims=("driver", "region", "week"),
        coords={"driver": ["humidity"], "region": ["a"], "week": weeks},
    )


def test_futures_are_the_same_weeks_of_earlier_years():
    """From week 208 on, half a year: 52, 104 (104.4) and 157 (156.5) weeks back, in turn."""
    anomalies = make_anomalies()
    weeks = anomalies["week"].values[208:234]
    found = other_years(anomalies, weeks, n_draws=4).isel(driver=0, region=0)
    assert found.isel(week=0).values.tolist() == [156.0, 104.0, 51.0, 156.0]
    assert (found.isel(draw=0) == np.arange(156, 182)).all()


def test_nothing_from_the_weeks_ahead_on_is_looked_at():
    """Spoilt from there on, the futures are the same; also over more than a year ahead."""
    anomalies = make_anomalies()
    weeks = anomalies["week"].values[208:260]
    spoilt = anomalies.where(anomalies["week"] < weeks[0], 1e9)
    assert other_years(spoilt, weeks, n_draws=3).equals(other_years(anomalies, weeks, n_draws=3))
    long = pd.date_range(weeks[0], periods=60, freq="7D").values
    assert float(other_years(spoilt, long, n_draws=3).max()) < 208


def test_without_an_earlier_year_weeks_are_as_usual():
    """A record of half a year tells none: zero."""
    anomalies = make_anomalies().isel(week=slice(30))
    weeks = pd.date_range("2018-07-30", periods=26, freq="7D").values
    assert float(np.abs(other_years(anomalies, weeks, n_draws=2)).max()) == 0.0
