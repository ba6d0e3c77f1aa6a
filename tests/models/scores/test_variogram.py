import numpy as np
import pytest
import scoringrules

from models.scores import ScoreError, region_pairs, variogram_score, week_pairs


def test_equals_an_independent_implementation():
    """Scoringrules sums over all ordered pairs with weight one: twice the sum over unordered."""
    rng = np.random.default_rng(0)
    y, x = rng.poisson(9, 5).astype(float), rng.poisson(9, (40, 5)).astype(float)
    pairs = np.array([(i, j) for i in range(5) for j in range(i + 1, 5)])
    theirs = scoringrules.vs_ensemble(y, x, p=0.5)
    assert 2 * len(pairs) * variogram_score(y, x, pairs) == pytest.approx(theirs, rel=1e-12)


def test_by_hand():
    """Cases 1 and 5, draws (1, 2) and (3, 3): (2 - (1 + 0) / 2) ** 2 = 2.25."""
    pairs = np.array([(0, 1)])
    assert variogram_score([1.0, 5.0], [[1.0, 2.0], [3.0, 3.0]], pairs) == 2.25


def test_right_dependence_scores_better_than_none():
    """Draws with shared shocks against the same draws shuffled case by case, over 200 forecasts."""
    rng = np.random.default_rng(1)

    def draw(n):
        shared = rng.normal(0, 0.5, (n, 1))
        return rng.poisson(20 * np.exp(shared + np.zeros((n, 6)))).astype(float)

    pairs = region_pairs(6, 1)
    right, wrong = [], []
    for y in draw(200):
        x = draw(200)
        right.append(variogram_score(y, x, pairs))
        wrong.append(variogram_score(y, rng.permuted(x, axis=0), pairs))
    assert np.mean(right) < 0.7 * np.mean(wrong)


def test_pairs_are_of_one_region_or_of_one_week():
    """Two regions of three weeks: cases 0-2 and 3-5."""
    assert week_pairs(2, 3, furthest=1).tolist() == [[0, 1], [1, 2], [3, 4], [4, 5]]
    assert region_pairs(2, 3).tolist() == [[0, 3], [1, 4], [2, 5]]


def test_cases_not_known_are_left_out_and_wrong_shapes_refused():
    """A pair with a NaN says nothing; without any pair the score is not known."""
    assert np.isnan(variogram_score([np.nan, 1.0], [[1.0, 2.0]], np.array([(0, 1)])))
    with pytest.raises(ScoreError, match="takes cases"):
        variogram_score([1.0], [[1.0, 2.0]], np.array([(0, 1)]))
