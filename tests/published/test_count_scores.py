"""Scores of counts, draws, quantiles and probabilities against computed tables and libraries.

No worked example was found in the papers named: the numbers below were worked out once from the
papers' formulas, apart from this code (direct summation), and are marked so by this sentence. The
independent libraries are scoringrules, `scores`, scipy and statsmodels.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from models import negative_binomial
from models.scores import (
    QUANTILE_LEVELS,
    brier_decomposition,
    brier_score,
    crps_from_draws,
    crps_negative_binomial,
    interval_coverage,
    weighted_interval_score,
)

# Bracher et al. 2021, PLoS Comput Biol 17:e1008618: median 10, 50 % [8, 12], 80 % [5, 16],
# 95 % [3, 22].
LEVELS = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
FORECAST = np.array([3.0, 5, 8, 10, 12, 16, 22])


@pytest.mark.parametrize(
    ("y", "total", "dispersion", "over", "under"),
    [
        (10, 0.735714, 0.735714, 0.0, 0.0),
        (14, 1.878571, 0.735714, 0.0, 1.142857),
        (20, 5.592857, 0.735714, 0.0, 4.857143),
        (30, 15.021429, 0.735714, 0.0, 14.285714),
        (2, 4.735714, 0.735714, 4.0, 0.0),
    ],
)
def test_weighted_interval_score_and_its_parts(y, total, dispersion, over, under):
    """Total and parts agree with the formula; an outcome below the intervals is overprediction."""
    score = weighted_interval_score(float(y), FORECAST, LEVELS)
    assert score == pytest.approx((total, dispersion, over, under), abs=0.51e-6)


def test_weighted_interval_score_by_hand():
    """One interval [8, 12] of 50 % and median 10, outcome 14, written out."""
    score = weighted_interval_score(14.0, np.array([8.0, 10, 12]), (0.25, 0.5, 0.75))
    interval_score = (12 - 8) + 2 / 0.5 * (14 - 12)
    assert score.total == pytest.approx((0.5 * abs(14 - 10) + 0.5 / 2 * interval_score) / 1.5)


def test_weighted_interval_score_is_the_mean_of_doubled_quantile_scores():
    """On random hub forecasts it equals scoringrules' quantile scores, averaged and doubled."""
    rng = np.random.default_rng(7)
    quantiles = np.sort(rng.gamma(2, 8, (300, 23)), axis=-1)
    y = rng.poisson(16, 300).astype(float)
    scoringrules = pytest.importorskip("scoringrules")  # it compiles for seconds: not for all
    theirs = scoringrules.quantile_score(
        y[:, None], quantiles, np.array(QUANTILE_LEVELS), backend="numpy"
    )
    ours = weighted_interval_score(y, quantiles).total
    np.testing.assert_allclose(ours, 2 * theirs.mean(axis=-1), rtol=1e-12)


def test_weighted_interval_score_from_the_interval_scores_of_another_library():
    """Interval scores of the `scores` library, weighted as in the paper, give the same."""
    continuous = pytest.importorskip("scores.continuous")
    y = xr.DataArray([10.0, 14, 20, 30, 2], dims="case")
    q = xr.DataArray(np.tile(FORECAST, (5, 1)), dims=("case", "quantile"))
    total = 0.5 * abs(y - 10)
    for k, share in enumerate((0.95, 0.8, 0.5)):
        interval = continuous.interval_score(
            q[:, k], q[:, 6 - k], y, interval_range=share, preserve_dims="all"
        )
        total = total + (1 - share) / 2 * interval["total"]
    np.testing.assert_allclose(
        weighted_interval_score(y, q, LEVELS).total.values, (total / 3.5).values, rtol=1e-12
    )


@pytest.mark.parametrize(
    ("y", "plain", "fair"),
    # Draws 1, 2, 3, 4, 5: mean distance less half of the mean distance between draws.
    [(3, 0.4, 0.2), (6, 2.2, 2.0)],
)
def test_crps_of_five_draws(y, plain, fair):
    """Both estimators agree with values worked out by hand."""
    draws = np.arange(1.0, 6.0)
    assert crps_from_draws(float(y), draws, fair=False) == pytest.approx(plain, abs=1e-12)
    assert crps_from_draws(float(y), draws, fair=True) == pytest.approx(fair, abs=1e-12)


@pytest.mark.parametrize("fair", [True, False])
def test_crps_of_draws_agrees_with_another_library(fair):
    """The `scores` library gives the same for random draws, fair and not."""
    probability = pytest.importorskip("scores.probability")
    rng = np.random.default_rng(8)
    draws = xr.DataArray(rng.gamma(2, 5, (40, 60)), dims=("week", "draw"))
    y = xr.DataArray(rng.gamma(2, 5, 40), dims="week")
    theirs = probability.crps_for_ensemble(
        draws, y, "draw", method="fair" if fair else "ecdf", preserve_dims="all"
    )
    np.testing.assert_allclose(crps_from_draws(y, draws, fair=fair), theirs, rtol=1e-10)


@pytest.mark.parametrize(
    ("y", "mean", "deviation", "crps"),
    [(0, 0, 1, 0.233695), (1, 0, 1, 0.602441), (-2, 0, 1, 1.452792), (14, 10, 3, 2.561802)],
)
def test_crps_of_many_draws_is_near_that_of_their_distribution(y, mean, deviation, crps):
    """Evenly spaced quantiles of a normal distribution score nearly as its closed form."""
    m = 20_000
    draws = stats.norm.ppf((np.arange(m) + 0.5) / m, mean, deviation)
    assert crps_from_draws(float(y), draws, fair=False) == pytest.approx(crps, abs=1e-4 * deviation)


NEGATIVE_BINOMIAL = [
    # mean, size, y, CRPS, log score, PIT interval
    (5, 2, 3, 0.998409, 2.128648, (0.323199, 0.442197)),
    (5, 2, 12, 5.271007, 3.978243, (0.921886, 0.940605)),
    (10, 5, 10, 1.279129, 2.638958, (0.524500, 0.595935)),
    (10, 5, 25, 12.090585, 5.554309, (0.983900, 0.987770)),
]


@pytest.mark.parametrize(("mean", "size", "y", "crps", "log_score", "pit"), NEGATIVE_BINOMIAL)
def test_negative_binomial_scores(mean, size, y, crps, log_score, pit):
    """CRPS, log score and PIT of a count with variance mean + mean^2 / size."""
    assert crps_negative_binomial(y, mean, size) == pytest.approx(crps, abs=0.51e-6)
    assert -negative_binomial.log_probability(y, mean, size) == pytest.approx(log_score, abs=5.1e-7)
    assert negative_binomial.pit_interval(y, mean, size) == pytest.approx(pit, abs=0.51e-6)


def test_negative_binomial_with_infinite_size_is_poisson():
    """Poisson of mean 8 at 8: CRPS 0.650235, log score 1.969071."""
    assert crps_negative_binomial(8, 8.0, np.inf) == pytest.approx(0.650235, abs=1e-6)
    assert -negative_binomial.log_probability(8, 8.0, np.inf) == pytest.approx(1.969071, abs=1e-6)


def test_negative_binomial_quantiles():
    """Quantiles of mean 10, size 5 (success probability 1/3)."""
    expected = {
        0.025: 2, 0.05: 3, 0.10: 4, 0.25: 6, 0.50: 9,
        0.75: 13, 0.80: 14, 0.90: 17, 0.95: 20, 0.975: 23,
    }  # fmt: skip
    found = negative_binomial.quantile(list(expected), 10.0, 5.0)
    assert found.tolist() == list(expected.values())


def test_negative_binomial_log_likelihood_agrees_with_statsmodels():
    """The log likelihood of the second kind of negative binomial model is the same sum."""
    discrete = pytest.importorskip("statsmodels.discrete.discrete_model")
    rng = np.random.default_rng(9)
    x = np.column_stack([np.ones(50), rng.normal(size=50)])
    beta, size = np.array([1.2, 0.4]), 3.0
    y = rng.poisson(4, 50)
    model = discrete.NegativeBinomial(y, x, loglike_method="nb2")
    theirs = model.loglike(np.append(beta, np.log(1 / size)))  # before a fit it takes the log
    ours = negative_binomial.log_probability(y, np.exp(x @ beta), size).sum()
    assert ours == pytest.approx(theirs, rel=1e-10)


@pytest.mark.parametrize(("mean", "size"), [(0.3, 0.5), (20, 4), (500, 1000), (20, 1e6)])
def test_crps_of_counts_is_the_sum_of_its_definition(mean, size):
    """Also where the closed form overflows, it equals the sum over all counts by scipy."""
    x = np.arange(6000)
    reached = stats.nbinom.cdf(x, size, size / (size + mean))
    for y in (0, 3, 25, 600):
        expected = np.sum((reached - (x >= y)) ** 2)
        assert crps_negative_binomial(y, mean, size) == pytest.approx(expected, rel=1e-9)


# Murphy 1973, J Appl Meteorol 12:595-600; probabilities 0.1 x 4, 0.5 x 4, 0.9 x 2.
ISSUED = np.repeat([0.1, 0.5, 0.9], [4, 4, 2])
CAME = np.array([0, 0, 0, 1, 1, 0, 1, 0, 1, 1])


def test_brier_score_and_its_decomposition():
    """Worked out by hand: 0.186 = 0.011 - 0.075 + 0.250, skill 0.256 over the base rate."""
    parts = brier_decomposition(CAME, ISSUED)
    by_hand = (4 * (0.1 - 1 / 4) ** 2 + 4 * (0.5 - 2 / 4) ** 2 + 2 * (0.9 - 2 / 2) ** 2) / 10
    assert parts.reliability == pytest.approx(by_hand)
    assert parts[:4] == pytest.approx((0.186, 0.011, 0.075, 0.250), abs=1e-12)
    assert parts.skill == pytest.approx(0.256)
    assert parts.cases == 10


def test_brier_score_agrees_with_scoringrules():
    """Case by case the same as the library's."""
    scoringrules = pytest.importorskip("scoringrules")
    theirs = scoringrules.brier_score(CAME.astype(float), ISSUED, backend="numpy")
    np.testing.assert_allclose(brier_score(CAME, ISSUED), theirs, rtol=1e-14)


def test_coverage_of_the_example_forecast():
    """50 % [8, 12] and 95 % [3, 22]: ends count as within."""
    y = np.array([2.0, 3, 7, 8, 10, 12, 14, 22, 23])
    within = interval_coverage(y, np.tile(FORECAST, (9, 1)), LEVELS, central=(0.5, 0.95))
    assert within[:, 0].tolist() == [0, 0, 0, 1, 1, 1, 0, 0, 0]
    assert within[:, 1].tolist() == [0, 1, 1, 1, 1, 1, 1, 1, 0]
