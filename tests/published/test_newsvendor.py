"""The newsvendor's quantity.

Normal demand: Cachon & Terwiesch, Matching Supply with Demand, 3rd edition, exercise 12.1. Negative
binomial: worked out once from the distribution's sums, apart from this code; the variance is
mean + mean^2 / size.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models import negative_binomial
from models.newsvendor import critical_ratio, expected_cost, order_quantity


def test_exercise_12_1():
    """N(200, 80), shortage 8, surplus 4: ratio .6667; the book rounds z up to .44 and has 235.2."""
    costs = {"shortage_cost": 8.0, "surplus_cost": 4.0}
    assert critical_ratio(**costs) == pytest.approx(0.6667, abs=0.5e-4)
    quantity = order_quantity(stats.norm(200, 80).ppf, **costs)
    assert quantity == pytest.approx(234.46, abs=0.005)  # with the exact z
    assert quantity == pytest.approx(200 + 0.44 * 80, abs=0.01 * 80)  # within a step of z's table


def test_a_surplus_dearer_than_a_shortage_orders_below_the_mean():
    """N(80, 30), shortage 60, surplus 110: z is -0.378, so 68.7 (a slip is to take it positive)."""
    quantity = order_quantity(stats.norm(80, 30).ppf, shortage_cost=60.0, surplus_cost=110.0)
    assert quantity == pytest.approx(68.7, abs=0.05)


@pytest.mark.parametrize(
    ("mean", "size", "shortage", "surplus", "quantity"),
    [
        # worked out: F(12) = .718603, F(13) = .768928
        (10, 5, 3, 1, 13),
        (10, 5, 4, 1, 14),
        (10, 5, 1, 1, 9),
        (20, 8, 9, 1, 31),
        # worked out: a Poisson demand of the same mean asks for other quantities
        (10, np.inf, 3, 1, 12),
        (10, np.inf, 1, 1, 10),
        (20, np.inf, 9, 1, 26),
    ],
)
def test_counts_of_a_negative_binomial(mean, size, shortage, surplus, quantity):
    """The smallest count whose cumulative probability reaches the ratio."""
    found = order_quantity(
        lambda level: negative_binomial.quantile([level], mean, size)[0],
        shortage_cost=shortage,
        surplus_cost=surplus,
    )
    assert found == quantity


def test_expected_costs_are_least_at_that_quantity():
    """Worked out for mean 10, size 5, shortage 3, surplus 1: 13 costs least."""
    demand = np.arange(400.0)
    probability = np.exp(negative_binomial.log_probability(demand, 10.0, 5.0))
    printed = {10: 8.5723, 11: 7.9560, 12: 7.5995, 13: 7.4739, 14: 7.5497, 15: 7.7979}
    for quantity, cost in printed.items():
        found = expected_cost(
            quantity, demand, shortage_cost=3.0, surplus_cost=1.0, probability=probability
        )
        assert found == pytest.approx(cost, abs=0.51e-4)
