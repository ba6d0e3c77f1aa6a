"""The probability step of a count: by hand, and on average as wide as the interval says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import nbinom, poisson

from models.scores import QUANTILE_LEVELS
from models.scores.steps import share_inside, step_of_quantiles


def test_the_share_of_a_step_by_hand():
    """From 0.2 to 0.6 of which 0.35 lie above 0.25: 7/8; half in; out; without width."""
    below, upto = [0.2, 0.1, 0.8, 0.5, 0.9], [0.6, 0.4, 1.0, 0.5, 0.9]
    found = share_inside(below, upto, 0.25, 0.75)
    assert found == pytest.approx([0.35 / 0.4, 0.5, 0.0, 1.0, 0.0])


def test_steps_are_read_half_way_to_the_next_count():
    """Quantiles 2 up to the level 0.30, 4 from 0.70 on, 3 between: 2.5 is passed half-way."""
    levels = np.array(QUANTILE_LEVELS)
    quantiles = np.where(levels <= 0.3, 2.0, np.where(levels < 0.7, 3.0, 4.0))
    below, upto = step_of_quantiles([2, 3, 4, 1, 9], np.tile(quantiles, (5, 1)))
    assert below == pytest.approx([0.0, 0.325, 0.675, 0.0, 1.0])
    assert upto == pytest.approx([0.325, 0.675, 1.0, 0.0, 1.0])


def test_what_is_not_known_has_no_step():
    """A count, or a forecast."""
    quantiles = np.tile(np.arange(23.0), (2, 1))
    quantiles[1, 4] = np.nan
    for end in step_of_quantiles([np.nan, 3.0], quantiles):
        assert np.isnan(end).all()


@pytest.mark.parametrize("mean", [0.8, 4.0, 30.0])
@pytest.mark.parametrize(("low", "high"), [(0.25, 0.75), (0.05, 0.95)])
def test_a_calibrated_forecast_holds_what_its_intervals_say(mean, low, high):
    """By the true probability of every count: from the true steps exactly; from quantiles nearly.

    There each forecast's own levels fall anywhere within a step, so forecasts around a mean are
    taken together.
    """
    of_quantiles = []
    for around in mean * np.linspace(0.8, 1.25, 19):
        for law in (poisson(around), nbinom(4, 4 / (4 + around))):
            counts = np.arange(0, int(law.ppf(1 - 1e-9)) + 1)
            chance = law.pmf(counts)
            exact = share_inside(law.cdf(counts - 1), law.cdf(counts), low, high)
            assert float((chance * exact).sum()) == pytest.approx(high - low, abs=1e-6)
            quantiles = np.tile(law.ppf(QUANTILE_LEVELS), (len(counts), 1))
            read = share_inside(*step_of_quantiles(counts, quantiles), low, high)
            of_quantiles.append(float((chance * read).sum()))
    assert np.mean(of_quantiles) == pytest.approx(high - low, abs=0.01)
    assert np.abs(np.array(of_quantiles) - (high - low)).max() < 0.1
