from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models.fields import FieldError
from models.scores import (
    QUANTILE_LEVELS,
    ScoreError,
    interval_coverage,
    weighted_interval_score,
)

examples = settings(max_examples=40, derandomize=True, deadline=None)
values = st.floats(0, 1000)
forecasts = st.lists(values, min_size=23, max_size=23).map(lambda q: np.sort(np.array(q)))


def cases(*data, dims=("region", "week")):
    """Label rows of numbers as regions and weeks."""
    array = np.array(data, dtype=float)
    return xr.DataArray(
        array, dims=dims, coords={d: np.arange(n) for d, n in zip(dims, array.shape, strict=True)}
    )


def test_the_23_levels_of_the_hubs():
    """From 1 to 99 %, symmetric around the median, in steps of 5 % but for the tails."""
    assert len(QUANTILE_LEVELS) == 23
    assert QUANTILE_LEVELS[:3] == (0.01, 0.025, 0.05)
    assert QUANTILE_LEVELS[11] == 0.5
    assert np.add(QUANTILE_LEVELS, QUANTILE_LEVELS[::-1]) == pytest.approx(1.0)
    assert np.diff(QUANTILE_LEVELS[2:-2]) == pytest.approx(0.05)


@examples
@given(values, forecasts)
def test_parts_add_up_and_none_is_negative(y, quantiles):
    """Dispersion, over- and underprediction make the total."""
    score = weighted_interval_score(y, quantiles)
    assert min(score) >= 0
    assert score.total == pytest.approx(sum(score[1:]))


@examples
@given(values, forecasts)
def test_nothing_beats_the_certain_and_right_forecast(y, quantiles):
    """All quantiles on the outcome score 0, and no forecast scores less."""
    assert weighted_interval_score(y, np.full(23, y)).total == 0
    assert weighted_interval_score(y, quantiles).total >= 0


@examples
@given(values, forecasts, st.floats(0.1, 10), st.floats(-50, 50))
def test_score_follows_the_unit(y, quantiles, scale, shift):
    """Counting in other units scales the score; a common shift leaves it."""
    score = weighted_interval_score(y, quantiles).total
    moved = weighted_interval_score(y * scale + shift, quantiles * scale + shift).total
    assert moved == pytest.approx(score * scale, abs=1e-6)


def test_labelled_quantiles_wherever_their_dim_stands():
    """Dims of the outcome are kept and nothing is averaged, also with the quantiles in front."""
    y = cases([10, 14, np.nan], [20, 30, 2])
    q = xr.DataArray([8.0, 10, 12], dims="quantile", coords={"quantile": [0.25, 0.5, 0.75]})
    forecast = q.expand_dims(region=y["region"], week=y["week"]).transpose("quantile", ...)
    score = weighted_interval_score(y, forecast, (0.25, 0.5, 0.75))
    assert score.total.dims == ("region", "week")
    assert np.isnan(score.total.values).tolist() == [[False, False, True], [False] * 3]
    assert float(score.underprediction[0, 1]) == pytest.approx((0.5 * 4 + 2) / 1.5)
    assert float(score.overprediction[1, 2]) == pytest.approx((0.5 * 8 + 6) / 1.5)


def test_one_unknown_quantile_leaves_the_case_unscored():
    """All parts are NaN, not the parts that could still be reckoned."""
    score = weighted_interval_score(1.0, np.array([0.0, 1.0, np.nan]), (0.25, 0.5, 0.75))
    assert all(math.isnan(part) for part in score)


@pytest.mark.parametrize(
    ("quantiles", "levels", "words"),
    [
        ([1.0, 2.0], (0.25, 0.75), "median"),
        ([1.0, 2.0, 3.0], (0.2, 0.5, 0.75), "as far above"),
        ([1.0, 2.0], (0.25, 0.5, 0.75), "3 levels.*2 quantiles"),
        ([3.0, 2.0, 1.0], (0.25, 0.5, 0.75), "must not decrease"),
    ],
)
def test_quantiles_that_cannot_be_scored(quantiles, levels, words):
    """Missing median, lopsided levels, wrong number and crossing quantiles are told apart."""
    with pytest.raises(ScoreError, match=words):
        weighted_interval_score(1.0, np.array(quantiles), levels)


def test_levels_that_are_not_those_of_the_forecast():
    """A DataArray that states its levels is not scored at others."""
    q = xr.DataArray([1.0, 2, 3], dims="quantile", coords={"quantile": [0.1, 0.5, 0.9]})
    with pytest.raises(ScoreError, match=r"0\.1.*0\.25"):
        weighted_interval_score(1.0, q, (0.25, 0.5, 0.75))
    with pytest.raises(ScoreError, match="dim 'level'"):
        weighted_interval_score(1.0, q, (0.1, 0.5, 0.9), dim="level")


def test_forecast_and_outcome_of_other_weeks_are_refused():
    """Weeks that only one side has are an error, not left out."""
    y = cases([1.0, 2.0])
    q = xr.DataArray(np.ones((1, 2, 3)), dims=("region", "week", "quantile"))
    q = q.assign_coords(region=[0], week=[1, 2])
    with pytest.raises(FieldError, match="labels"):
        weighted_interval_score(y, q, (0.25, 0.5, 0.75))


def test_coverage_of_a_perfectly_calibrated_forecast():
    """Outcomes at evenly spaced probabilities are covered as often as promised."""
    n = 1000
    outcomes = (np.arange(n) + 0.5) / n
    within = interval_coverage(outcomes, np.tile(QUANTILE_LEVELS, (n, 1)), central=(0.5, 0.9, 0.98))
    assert within.mean(axis=0) == pytest.approx([0.5, 0.9, 0.98])


def test_coverage_keeps_unknown_cases_unknown():
    """A closed week is neither a hit nor a miss of the interval."""
    y = cases([np.nan, 5.0])
    q = xr.DataArray([[[4.0, 5, 6]] * 2], dims=("region", "week", "quantile"))
    within = interval_coverage(y, q, (0.25, 0.5, 0.75), central=(0.5,))
    assert within.dims == ("region", "week", "central")
    assert within["central"].values.tolist() == [0.5]
    assert np.isnan(within[0, 0, 0])
    assert within[0, 1, 0] == 1.0


def test_coverage_needs_the_ends_of_the_interval():
    """An interval between levels is refused, never interpolated."""
    with pytest.raises(ScoreError, match=r"central 0\.9 interval needs the level 0\.05"):
        interval_coverage(1.0, np.array([1.0, 2, 3]), (0.25, 0.5, 0.75))
