import numpy as np
import pytest
import xarray as xr

from models.flare.blend import blend_draws
from models.streams import DrawStreams


def _streams(draws, regions=1):
    return DrawStreams([7], draws, [f"r{i}" for i in range(regions)])


def _draws(values):
    return xr.DataArray(values, dims=("draw", "region", "week"))


def test_quantiles_of_the_blend_are_the_mean_of_the_members():
    """Median and tails lie half-way between two members (up to rounding to whole visits)."""
    rng = np.random.default_rng(0)
    a, b = rng.poisson(10, (4000, 1, 1)), rng.poisson(30, (4000, 1, 1))
    blend = blend_draws([_draws(a), _draws(b)], weights=[1, 1], streams=_streams(4000))
    for level in (0.1, 0.5, 0.9):
        expected = (np.quantile(a, level) + np.quantile(b, level)) / 2
        assert np.quantile(blend, level) == pytest.approx(expected, abs=1)
    assert float(blend.mean()) == pytest.approx(20, rel=0.02)


def test_what_happens_together_stays_together():
    """Draws keep the order of the first member: its rank correlation between weeks is kept."""
    rng = np.random.default_rng(1)
    level = rng.gamma(5, 4, (3000, 1, 1))
    first = rng.poisson(np.repeat(level, 2, axis=2))
    other = rng.poisson(20, (3000, 1, 2))
    blend = blend_draws(
        [_draws(first), _draws(other)], weights=[1, 1], streams=_streams(3000)
    ).values
    kept = np.corrcoef(blend[:, 0, 0], blend[:, 0, 1])[0, 1]
    own = np.corrcoef(first[:, 0, 0], first[:, 0, 1])[0, 1]
    assert kept > 0.8 * own


def test_a_single_member_is_returned_as_it_is():
    """All weight on one member changes none of its counts."""
    values = np.random.default_rng(2).poisson(6, (500, 2, 3))
    blend = blend_draws([_draws(values)], weights=[1], streams=_streams(500, 2))
    assert np.array_equal(blend.values, values)
