"""Pressure hangs on what cover prevents, visits hardly."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
import xarray as xr

from models.flare.cover import efficacy_range
from models.flare.cover_sensitivity import cover_sensitivity
from models.flare.forecaster import VisitForecaster
from models.weeks import week_range


@pytest.fixture(scope="module")
def found() -> xr.Dataset:
    """Give three years without season: a third of one region's dogs covered, of one not known."""
    rng = np.random.default_rng(3)
    weeks = week_range(date(2020, 1, 6), 156)
    dims, coords = ("region", "week"), {"region": ["covered", "not known"], "week": weeks}
    volume = rng.poisson(400, (2, 156)).astype(float)
    cover = np.stack([np.full(156, 1 / 3), np.full(156, np.nan)])
    weekly = xr.Dataset(
        {
            "flare_visits": (dims, rng.poisson(40, (2, 156)).astype(float)),
            "consultations": (dims, volume),
            "covered_share": (dims, cover),
        },
        coords=coords,
    )
    drivers = xr.DataArray(
        np.zeros((1, 2, 156)), dims=("driver", *dims), coords={"driver": ["humidity"], **coords}
    )
    fitted = VisitForecaster(()).fit(weekly, drivers)
    return cover_sensitivity(fitted, weekly, drivers, n_weeks=13)


def test_pressure_is_made_up_for_cover_by_its_efficacy(found):
    """The same visits: pressure is as one over (1 - e c), with c a third."""
    low, central, high = efficacy_range()
    expected = [(1 - central / 3) / (1 - e / 3) for e in (low, central, high)]
    np.testing.assert_allclose(found["pressure"].sel(region="covered"), expected, rtol=0.02)
    assert float(found["covered_share"].sel(region="covered")) == pytest.approx(1 / 3)


def test_visits_hardly_move(found):
    """What is made up for is prevented again."""
    np.testing.assert_allclose(found["visits"].sel(region="covered"), 1.0, atol=0.02)


def test_where_cover_is_not_known_nothing_hangs_on_it(found):
    """The same pressure whatever cover prevents, and the share stays not known."""
    np.testing.assert_allclose(found["pressure"].sel(region="not known"), 1.0, atol=0.02)
    assert np.isnan(found["covered_share"].sel(region="not known"))


def test_the_range_is_that_of_the_prior():
    """A beta distribution of mean 0.6 and standard deviation 0.15 has 10 and 90 % about 0.40, 0.79.

    By hand: its parameters are 5.8 and 3.867; normal ends would be 0.6 -+ 0.192.
    """
    low, central, high = efficacy_range()
    assert central == pytest.approx(0.6)
    assert low == pytest.approx(0.6 - 1.2816 * 0.15, abs=0.02)
    assert high == pytest.approx(0.6 + 1.2816 * 0.15, abs=0.02)
