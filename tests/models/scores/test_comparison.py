from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr

from models.scores import (
    ScoreError,
    block_bootstrap_ratio,
    relative_score,
)


def cases(*data, dims=("region", "week")):
    """Label rows of numbers as regions and weeks."""
    array = np.array(data, dtype=float)
    return xr.DataArray(
        array, dims=dims, coords={d: np.arange(n) for d, n in zip(dims, array.shape, strict=True)}
    )


def test_relative_score_uses_common_cases_only():
    """A week that one forecast lacks counts for neither: (1 + 3) / (2 + 4)."""
    ours, theirs = np.array([1.0, 3, 100, np.nan]), np.array([2.0, 4, np.nan, 100])
    assert relative_score(ours, theirs) == pytest.approx(4 / 6)


def test_relative_score_by_region():
    """Averaging over weeks leaves one ratio a region; a region without common weeks has none."""
    ours, theirs = cases([1, 3], [2, np.nan]), cases([2, 4], [np.nan, 1])
    ratio = relative_score(ours, theirs, dim="week")
    assert ratio.dims == ("region",)
    assert ratio.values.tolist() == pytest.approx([4 / 6, np.nan], nan_ok=True)
    assert relative_score(ours, theirs.transpose()) == pytest.approx(4 / 6)


def test_a_reference_without_loss_gives_no_ratio():
    """Nothing can be relative to 0."""
    assert math.isnan(relative_score(np.array([1.0]), np.array([0.0])))
    assert math.isnan(relative_score(cases([1.0]), cases([0.0])))
    assert math.isnan(relative_score(np.array([np.nan]), np.array([1.0])))


def test_scores_of_unlike_cases_are_not_compared():
    """Other shapes, dims and labels are refused."""
    with pytest.raises(ScoreError, match="shapes"):
        relative_score(np.ones(2), np.ones(3))
    with pytest.raises(ScoreError, match="dims"):
        relative_score(cases([1.0]), cases([1.0], dims=("region", "day")))
    with pytest.raises(ScoreError, match="common cases first"):
        relative_score(cases([1.0]), cases([1.0]).assign_coords(week=[5]))


def test_bootstrap_of_a_constant_ratio_has_no_width():
    """Half the loss everywhere is a ratio of one half, whatever is drawn."""
    losses = np.random.default_rng(1).gamma(2, 3, 60)
    years = np.repeat(np.arange(6), 10)
    for statistic in ("mean", "rmse"):
        found = block_bootstrap_ratio(losses / 2, losses, years, seed=3, statistic=statistic)
        assert found[:3] == pytest.approx((0.5, 0.5, 0.5))
        assert (found.blocks, found.cases) == (6, 60)


def test_root_mean_squared_errors_by_hand():
    """Errors 3 and -4 against 1 and 2: the root of (9 + 16) / (1 + 4)."""
    found = block_bootstrap_ratio(
        np.array([3.0, -4]), np.array([1.0, 2]), [2001, 2002], seed=0, statistic="rmse"
    )
    assert found.ratio == pytest.approx(math.sqrt((9 + 16) / (1 + 4)))
    assert found.low == pytest.approx(2.0)  # only the second year drawn: 4 / 2
    assert found.high == pytest.approx(3.0)  # only the first: 3 / 1


def test_blocks_that_are_alike_inside_widen_the_interval():
    """Weeks that share their year's luck carry less evidence than as many independent weeks."""
    rng = np.random.default_rng(11)
    luck = np.repeat(rng.gamma(2, 1, 12), 20)
    reference = np.full(240, 2.0)
    by_year = block_bootstrap_ratio(luck, reference, np.repeat(np.arange(12), 20), seed=1)
    by_week = block_bootstrap_ratio(luck, reference, np.arange(240), seed=1)
    assert by_year.ratio == pytest.approx(by_week.ratio)
    # Equal years of 20 weeks: the interval should be about the root of 20 as wide.
    assert by_year.high - by_year.low > 3 * (by_week.high - by_week.low)


def test_interval_covers_the_true_ratio_about_as_often_as_promised():
    """Over 300 seeded worlds of 25 years the 90 % interval covers in 80 to 97 % of them."""
    rng = np.random.default_rng(2024)
    years = np.repeat(np.arange(25), 4)
    covered = 0
    for world in range(300):
        shared = np.repeat(rng.gamma(3, 1, 25), 4)
        ours, theirs = shared * rng.gamma(4, 0.2, 100), shared * rng.gamma(4, 0.25, 100)
        found = block_bootstrap_ratio(ours, theirs, years, seed=world, replicates=300)
        covered += found.low <= 0.8 <= found.high
    assert 0.80 <= covered / 300 <= 0.97


def test_bootstrap_repeats_itself_and_ignores_the_order_of_cases():
    """The same seed gives the same interval, also with the cases turned round."""
    rng = np.random.default_rng(4)
    ours, theirs, years = rng.gamma(2, 1, 50), rng.gamma(2, 1, 50), np.repeat(np.arange(5), 10)
    one = block_bootstrap_ratio(ours, theirs, years, seed=9)
    assert block_bootstrap_ratio(ours, theirs, years, seed=9) == one
    turned = block_bootstrap_ratio(ours[::-1], theirs[::-1], years[::-1], seed=9)
    assert turned == pytest.approx(one)
    assert one.low < one.ratio < one.high


def test_one_block_shows_no_spread():
    """A single season has a ratio but no interval; no common case has neither."""
    found = block_bootstrap_ratio(np.ones(3), np.full(3, 2.0), [2020] * 3, seed=0)
    assert found.ratio == 0.5
    assert math.isnan(found.low)
    assert math.isnan(found.high)
    none = block_bootstrap_ratio(np.array([np.nan]), np.ones(1), [2020], seed=0)
    assert math.isnan(none.ratio)
    assert none.cases == 0


def test_blocks_by_week_are_spread_over_regions():
    """Labels of weeks serve every region, and unknown cases leave their block."""
    ours, theirs = cases([1, 1, 3, 3], [1, np.nan, 3, 3]), cases([2, 2, 2, 2], [2, 2, 2, 2])
    years = xr.DataArray([2001, 2001, 2002, 2002], dims="week", coords={"week": np.arange(4)})
    found = block_bootstrap_ratio(ours, theirs, years, seed=0)
    assert found.ratio == pytest.approx((3 * 1 + 4 * 3) / (7 * 2))
    assert (found.low, found.high) == pytest.approx((0.5, 1.5))
    assert (found.blocks, found.cases) == (2, 7)


@pytest.mark.parametrize(
    ("blocks", "options", "words"),
    [
        ([2001.0, np.nan], {}, "no block label"),
        ([1, 2, 3], {}, "do not fit"),
        ([1, 2], {"level": 1.0}, "between 0 and 1"),
        ([1, 2], {"statistic": "median"}, "mean, rmse.*'median'"),
        ([1, 2], {"replicates": 0}, "at least one"),
    ],
)
def test_bootstraps_that_make_no_sense(blocks, options, words):
    """Missing labels and impossible options are refused in a sentence."""
    with pytest.raises(ScoreError, match=words):
        block_bootstrap_ratio(np.ones(2), np.ones(2), np.array(blocks), seed=0, **options)
