import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.newsvendor import (
    NewsvendorError,
    critical_ratio,
    expected_cost,
    order_quantity_from_draws,
)

cost = st.floats(0.1, 50.0)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=40), cost, cost)
def test_no_other_quantity_costs_less(demand, shortage, surplus):
    """Whatever the costs, no whole quantity beats the one read off the draws."""
    draws = np.array(demand, dtype=float)
    costs = {"shortage_cost": shortage, "surplus_cost": surplus}
    best = float(order_quantity_from_draws(draws, **costs))
    least = expected_cost(best, draws, **costs)
    others = [expected_cost(q, draws, **costs) for q in range(0, 62)]
    assert least <= min(others) + 1e-9


def test_each_week_has_its_own_quantity():
    """Draws of two weeks, demand twice as high in the second: 3 to 1 asks for three in four."""
    draws = np.array([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0], [4.0, 8.0]])
    found = order_quantity_from_draws(draws, shortage_cost=3.0, surplus_cost=1.0)
    np.testing.assert_array_equal(found, [3.0, 6.0])


def test_a_draw_that_is_not_known_leaves_the_quantity_unknown():
    """Not known is not zero demand."""
    found = order_quantity_from_draws(np.array([1.0, np.nan]), shortage_cost=1.0, surplus_cost=1.0)
    assert np.isnan(found)


def test_costs_and_probabilities_are_checked():
    """A cost of zero has no newsvendor, nor have probabilities that do not add up."""
    with pytest.raises(NewsvendorError, match=r"surplus cost .* above zero, got 0"):
        critical_ratio(shortage_cost=1.0, surplus_cost=0.0)
    with pytest.raises(NewsvendorError, match="there are none"):
        order_quantity_from_draws(np.array([]), shortage_cost=1.0, surplus_cost=1.0)
    with pytest.raises(NewsvendorError, match=r"they add up to 0\.5"):
        expected_cost(
            1.0,
            np.array([1.0]),
            shortage_cost=1.0,
            surplus_cost=1.0,
            probability=np.array([0.5]),
        )
