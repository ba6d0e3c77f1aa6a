from __future__ import annotations

import itertools

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models import negative_binomial
from models.scores import (
    QUANTILE_LEVELS,
    ScoreError,
    crps_from_draws,
    crps_negative_binomial,
    weighted_interval_score,
)

examples = settings(max_examples=40, derandomize=True, deadline=None)
values = st.floats(0, 1000)


def cases(*data, dims=("region", "week")):
    """Label rows of numbers as regions and weeks."""
    array = np.array(data, dtype=float)
    return xr.DataArray(
        array, dims=dims, coords={d: np.arange(n) for d, n in zip(dims, array.shape, strict=True)}
    )


@examples
@given(values, st.lists(values, min_size=2, max_size=30))
def test_draws_are_best_when_all_on_the_outcome(y, draws):
    """No draws score below those that are all right."""
    members = np.array(draws)
    assert crps_from_draws(y, np.full(members.size, y), fair=True) == pytest.approx(0, abs=1e-9)
    assert crps_from_draws(y, members, fair=False) >= -1e-9
    assert crps_from_draws(y, members, fair=False) >= crps_from_draws(y, members, fair=True) - 1e-9


def test_the_fair_score_does_not_depend_on_the_number_of_draws():
    """Averaged over all possible draws of 2 or 3, it is the score of the distribution itself."""
    faces = np.array([0.0, 1, 2, 5])
    y = 1.0
    true = np.abs(faces - y).mean() - np.abs(faces[:, None] - faces).mean() / 2
    for m in (2, 3):
        every = np.array(list(itertools.product(faces, repeat=m)))
        outcomes = np.full(len(every), y)
        assert crps_from_draws(outcomes, every, fair=True).mean() == pytest.approx(true)
        assert crps_from_draws(outcomes, every, fair=False).mean() > true + 0.05


def test_labelled_draws():
    """The draw dim goes, the others stay; an unknown draw leaves the case unscored."""
    y = cases([3.0, 6.0])
    draws = xr.DataArray(np.tile(np.arange(1.0, 6), (1, 2, 1)), dims=("region", "week", "draw"))
    draws[0, 1, 0] = np.nan
    score = crps_from_draws(y, draws.transpose("draw", ...), fair=True)
    assert score.dims == ("region", "week")
    assert float(score[0, 0]) == pytest.approx(0.2)
    assert np.isnan(score[0, 1])


def test_one_draw_cannot_be_scored_fairly():
    """Without a second draw nothing is known of the spread."""
    with pytest.raises(ScoreError, match="at least two draws"):
        crps_from_draws(1.0, np.array([1.0]), fair=True)
    assert crps_from_draws(1.0, np.array([3.0]), fair=False) == pytest.approx(2.0)
    with pytest.raises(ScoreError, match="dim 'draw'"):
        crps_from_draws(1.0, xr.DataArray([1.0, 2.0], dims="member"), fair=True)


@pytest.mark.parametrize(("mean", "size"), [(4.0, 1.5), (12.0, 6.0), (12.0, 1e6)])
def test_the_truth_scores_best_on_average(mean, size):
    """Expected CRPS, WIS and log score over all counts are least for the true distribution."""
    counts = np.arange(400.0)
    p = np.exp(negative_binomial.log_probability(counts, mean, size))

    def expected(m, k):
        q = negative_binomial.quantile(QUANTILE_LEVELS, m, k)
        return (
            p @ crps_negative_binomial(counts, m, k),
            p @ weighted_interval_score(counts, q).total,
            -p @ negative_binomial.log_probability(counts, m, k),
        )

    truth = expected(mean, size)
    for m, k in ((mean * 1.4, size), (mean * 0.7, size), (mean, min(size / 6, 1.0))):
        assert all(t < o for t, o in zip(truth, expected(m, k), strict=True))


def test_unknown_counts_stay_unknown():
    """NaN in outcome, mean or size gives NaN, the other cases are scored."""
    score = crps_negative_binomial(
        np.array([np.nan, 3, 3, 3]), np.array([5, np.nan, 5, 5.0]), np.array([2, 2, np.nan, 2.0])
    )
    assert np.isnan(score).tolist() == [True, True, True, False]
    assert score[3] == pytest.approx(0.998409, abs=1e-6)


def test_counts_keep_their_dims():
    """Regions and weeks in, regions and weeks out."""
    score = crps_negative_binomial(cases([3, 12]), cases([5, 5]), 2.0)
    assert score.dims == ("region", "week")
    assert score.values[0].tolist() == pytest.approx([0.998409, 5.271007], abs=1e-6)


def test_half_a_visit_is_refused():
    """A count of 2.5 points to a mistake upstream."""
    with pytest.raises(negative_binomial.NegativeBinomialError, match=r"whole number.*2\.5"):
        crps_negative_binomial(2.5, 5.0, 2.0)
