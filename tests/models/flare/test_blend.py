import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.flare.blend import blend_draws
from models.flare.count_forecaster import CountForecaster
from models.streams import DrawStreams


def _streams(draws, regions=1):
    return DrawStreams([7], draws, [f"r{i}" for i in range(regions)])


def _draws(values):
    return xr.DataArray(values, dims=("draw", "region", "week"))


def test_quantiles_of_the_blend_are_the_median_of_the_members():
    """Of three members the middle one's, level by level, up to rounding to whole visits."""
    rng = np.random.default_rng(0)
    low, high = rng.poisson(10, (4000, 1, 1)), rng.poisson(30, (4000, 1, 1))
    wild = rng.poisson(20, (4000, 1, 1)) * 1000
    blend = blend_draws([_draws(m) for m in (low, high, wild)], _draws(low), streams=_streams(4000))
    for level in (0.1, 0.5, 0.9):
        assert np.quantile(blend, level) == pytest.approx(np.quantile(high, level), abs=1)
    assert float(blend.mean()) == pytest.approx(30, rel=0.02)


def test_two_members_meet_half_way():
    """The median of two quantiles is their mean."""
    rng = np.random.default_rng(0)
    a, b = rng.poisson(10, (4000, 1, 1)), rng.poisson(30, (4000, 1, 1))
    blend = blend_draws([_draws(a), _draws(b)], _draws(a), streams=_streams(4000))
    for level in (0.1, 0.5, 0.9):
        expected = (np.quantile(a, level) + np.quantile(b, level)) / 2
        assert np.quantile(blend, level) == pytest.approx(expected, abs=1)


def test_a_member_that_knows_nothing_of_a_region_is_left_out_there():
    """And counts in the other region."""
    first = np.full((50, 2, 3), 10)
    other = np.full((50, 2, 3), 20.0)
    other[:, 1] = np.nan
    blend = blend_draws(
        [_draws(first), _draws(other)], _draws(first), streams=_streams(50, 2)
    ).values
    assert (blend[:, 0] == 15).all()
    assert (blend[:, 1] == 10).all()


def test_what_happens_together_stays_together():
    """Draws keep the order that is given: its rank correlation between weeks is kept."""
    rng = np.random.default_rng(1)
    level = rng.gamma(5, 4, (3000, 1, 1))
    first = rng.poisson(np.repeat(level, 2, axis=2))
    other = rng.poisson(20, (3000, 1, 2))
    blend = blend_draws(
        [_draws(first), _draws(other)], _draws(first), streams=_streams(3000)
    ).values
    kept = np.corrcoef(blend[:, 0, 0], blend[:, 0, 1])[0, 1]
    own = np.corrcoef(first[:, 0, 0], first[:, 0, 1])[0, 1]
    assert kept > 0.8 * own


def test_a_single_member_is_returned_as_it_is():
    """The median of one is itself."""
    values = np.random.default_rng(2).poisson(6, (500, 2, 3))
    blend = blend_draws([_draws(values)], _draws(values), streams=_streams(500, 2))
    assert np.array_equal(blend.values, values)


def test_trend_climatology_is_asked_of_later_weeks_alone(monkeypatch):
    """Wild there, it moves no week one to eight ahead, and with two others each one after."""
    weeks = pd.date_range("2015-01-05", periods=208 + 12, freq="7D")
    rng = np.random.default_rng(0)
    counts = xr.DataArray(
        rng.poisson(20.0, (1, len(weeks))).astype(float),
        dims=("region", "week"),
        coords={"region": ["r0"], "week": weeks},
    )
    drivers = counts.expand_dims(driver=["none"]) * 0.0
    past, ahead = slice(0, 208), slice(208, None)
    engine = CountForecaster().fit(
        counts[:, past], xr.zeros_like(counts[:, past]), drivers[..., past]
    )
    known = xr.zeros_like(counts[:, ahead]).expand_dims(draw=50)

    def drawn(rate: float) -> xr.DataArray:
        monkeypatch.setattr(
            "models.flare.count_forecaster.draw_trend_climatology",
            lambda _, order, *, streams: xr.full_like(order, rate),
        )
        future = drivers[..., ahead].expand_dims(draw=50)
        return engine.draw(known, future, streams=_streams(50)).blended

    few, many = (drawn(rate).mean("draw").values[0] for rate in (0.0, 1e6))
    assert np.array_equal(few[:8], many[:8])
    assert (few[8:] < many[8:]).all()
