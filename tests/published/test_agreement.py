"""Shares with their intervals, sensitivity and predictive value, and kappa.

Intervals of shares: Newcombe R.G. 1998, Stat Med 17:857-872, table I, Wilson's method without
continuity correction, four decimals as printed (recalled from memory, and recomputed by
statsmodels below). Sensitivity: the liver scan of Altman D.G. & Bland J.M. 1994, BMJ 308:1552 and
309:102, two decimals as printed. Kappa: worked out by hand, and by scikit-learn and statsmodels.
"""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from models.scores import cohen_kappa, effective_size, verdict_table, wilson_interval


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
     (1, 29, 0.0061, 0.1718)],
)  # fmt: skip
def test_wilson_interval_of_newcombe(hits, n, low, high):
    """The four examples of the table."""
    assert wilson_interval(hits / n, n) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("n", [1, 7, 30, 400])
@pytest.mark.parametrize("level", [0.5, 0.9, 0.95])
def test_wilson_interval_as_statsmodels_has_it(n, level):
    """For every number of hits."""
    for hits in range(n + 1):
        expected = proportion_confint(hits, n, alpha=1 - level, method="wilson")
        assert wilson_interval(hits / n, n, level=level) == pytest.approx(expected, abs=1e-12)


def test_sensitivity_of_altman_and_bland():
    """231 true positives, 32 false ones, 27 false negatives, 54 true ones: 0.90, 0.63, 0.88."""
    truth = np.repeat([True, False, True, False], [231, 32, 27, 54])
    verdict = np.repeat([True, True, False, False], [231, 32, 27, 54])
    table = verdict_table(truth, verdict)
    assert round(table.sensitivity.value, 2) == 0.90
    assert round(table.specificity.value, 2) == 0.63
    assert round(table.predictive_value.value, 2) == 0.88
    assert (table.sensitivity.n, table.specificity.n) == (258, 86)
    expected = proportion_confint(231, 258, method="wilson")
    assert (table.sensitivity.low, table.sensitivity.high) == pytest.approx(expected)


def test_kappa_by_hand():
    """Agreed (20 + 15) / 50 = 0.7; by chance 0.5 x 0.6 + 0.5 x 0.4 = 0.5; kappa 0.2 / 0.5."""
    first = np.repeat(["yes", "yes", "no", "no"], [20, 5, 10, 15])
    second = np.repeat(["yes", "no", "yes", "no"], [20, 5, 10, 15])
    found = cohen_kappa(first, second)
    assert found.value == pytest.approx(0.4)
    assert (found.agreed, found.n) == (0.7, 50)


@pytest.mark.parametrize("seed", range(5))
def test_kappa_as_two_libraries_have_it(seed):
    """Value of scikit-learn, value and interval of statsmodels, three answers."""
    rng = np.random.default_rng(seed)
    first = rng.choice(["no", "unsure", "yes"], size=80)
    second = np.where(rng.random(80) < 0.6, first, rng.choice(["no", "unsure", "yes"], size=80))
    found = cohen_kappa(first, second)
    assert found.value == pytest.approx(cohen_kappa_score(first, second))
    words = ["no", "unsure", "yes"]
    table = np.array([[((first == a) & (second == b)).sum() for b in words] for a in words])
    expected = cohens_kappa(table)
    assert found.low == pytest.approx(max(-1, expected.kappa_low))
    assert found.high == pytest.approx(min(1, expected.kappa_upp))


def test_effective_size_by_hand():
    """Kish: (1 + 1 + 2)^2 / (1 + 1 + 4) = 16 / 6."""
    assert effective_size([1, 1, 2]) == pytest.approx(16 / 6)
    assert effective_size(np.full(7, 3.0)) == pytest.approx(7)
