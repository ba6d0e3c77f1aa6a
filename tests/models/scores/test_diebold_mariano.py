import numpy as np
import pytest

from models.scores import ScoreError, diebold_mariano


def test_worked_example():
    """Differences .5 -.2 .8 .1 .4 .3 -.1 .6, one step: mean .3, variance .105, by hand.

    DM = .3 / sqrt(.105 / 8) = 2.618615; corrected by sqrt(7 / 8) 2.449490; p of t with 7 degrees
    of freedom .04414.
    """
    d = np.array([0.5, -0.2, 0.8, 0.1, 0.4, 0.3, -0.1, 0.6])
    found = diebold_mariano(d, np.zeros(8))
    assert found.mean_difference == pytest.approx(0.3)
    assert found.statistic == pytest.approx(2.449490, abs=1e-6)
    assert found.p_value == pytest.approx(0.04414, abs=1e-5)


def test_equal_forecasts_are_told_apart_at_the_nominal_rate():
    """Losses that overlap three steps: p below 0.1 in about a tenth of 1,000 samples."""
    rng = np.random.default_rng(3)
    below = 0
    for _ in range(1000):
        noise = rng.normal(size=102)
        d = noise[2:] + noise[1:-1] + noise[:-2]
        below += diebold_mariano(d, np.zeros(100), steps_ahead=3).p_value < 0.1
    assert below / 1000 == pytest.approx(0.1, abs=0.035)


def test_too_few_cases_or_other_shapes_are_refused():
    """In a sentence that says what there is."""
    with pytest.raises(ScoreError, match="there are 2 cases"):
        diebold_mariano([1.0, 2.0], [0.0, 0.0], steps_ahead=2)
    with pytest.raises(ScoreError, match="shapes"):
        diebold_mariano([1.0, 2.0], [0.0])
