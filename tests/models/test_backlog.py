"""What is left over, beside small cases worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from models.backlog import BacklogError, carry_over


def _weeks(*values):
    return np.array([values], dtype=float)


def test_an_exact_small_case():
    """Ten minutes a visit, a hundred a week, a fifth of the unseen goes elsewhere; by hand.

    15 come: 10 are seen, 1 of 5 goes, 4 wait. 12 more: 16 want, 10 seen, 1.2 go, 4.8 wait. None
    come: 4.8 are seen.
    """
    found = carry_over(_weeks(15, 12, 0), np.array([[10.0]]), _weeks(100, 100, 100), leaving=0.2)
    np.testing.assert_allclose(found.seen, _weeks(10, 10, 4.8))
    np.testing.assert_allclose(found.turned_away, _weeks(1.0, 1.2, 0))
    np.testing.assert_allclose(found.waiting, _weeks(4, 4.8, 0))
    np.testing.assert_allclose(found.need, _weeks(150, 160, 48))


def test_the_scarcest_role_decides():
    """4 visits of 20 and 15 minutes meet 80 and 30: half are seen, though the vet is free."""
    minutes = np.array([[20.0, 15.0]])
    found = carry_over(np.array([[4.0]]), minutes, np.array([[80.0], [30.0]]), leaving=0.5)
    assert found.seen.item() == pytest.approx(2.0)
    assert found.turned_away.item() == found.waiting.item() == pytest.approx(1.0)
    np.testing.assert_allclose(found.need[:, 0], [80.0, 60.0])


def test_overtime_is_used_only_where_the_capacity_does_not_reach():
    """100 of capacity, 50 of overtime: 80 take none, 130 take 30, 200 take all and 50 are left."""
    found = carry_over(
        _weeks(80, 130, 200), np.array([[1.0]]), _weeks(100, 100, 100), overtime=50.0, leaving=1.0
    )
    np.testing.assert_allclose(found.overtime, _weeks(0, 30, 50))
    np.testing.assert_allclose(found.turned_away, _weeks(0, 0, 50))


def test_what_comes_first_takes_room_from_the_visits():
    """60 of 100 minutes go to the telephone: 4 of 10 visits of ten minutes are seen."""
    found = carry_over(_weeks(10), np.array([[10.0]]), _weeks(100), first=60.0, leaving=0.0)
    assert found.seen.item() == pytest.approx(4.0)
    assert found.waiting.item() == pytest.approx(6.0)
    assert found.need.item() == pytest.approx(160.0)


def test_nothing_is_lost():
    """What came is seen, turned away, or waits at the end; draws and branches by themselves."""
    rng = np.random.default_rng(1)
    came = rng.poisson(9.0, size=(3, 20, 2, 6)).astype(float)
    minutes = rng.uniform(5, 20, size=(3, 2, 1, 2))
    capacity = rng.uniform(50, 400, size=(2, 1, 2, 6))
    found = carry_over(came, minutes, capacity, leaving=0.3)
    ends = found.seen.sum(-1) + found.turned_away.sum(-1) + found.waiting[..., -1]
    np.testing.assert_allclose(ends, came.sum(-1))
    alone = carry_over(came[:, 3:4, 1:], minutes[..., 1:], capacity[:, :, 1:], leaving=0.3)
    np.testing.assert_allclose(alone.waiting, found.waiting[:, 3:4, 1:])


def test_senseless_numbers_are_refused():
    """A share above one, a capacity below zero."""
    with pytest.raises(BacklogError, match="share of visits"):
        carry_over(_weeks(1), np.array([[1.0]]), _weeks(1), leaving=1.5)
    with pytest.raises(BacklogError, match="capacity below zero: -3"):
        carry_over(_weeks(1), np.array([[1.0]]), _weeks(-3), leaving=0.5)
