from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.gaps import fill_short_gaps

NAN = np.nan


@pytest.mark.parametrize(
    ("values", "filled"),
    [
        ([1.0, NAN, 3.0], [1.0, 2.0, 3.0]),
        ([0.0, NAN, NAN, 3.0], [0.0, 1.0, 2.0, 3.0]),
        ([0.0, NAN, NAN, NAN, 4.0], [0.0, NAN, NAN, NAN, 4.0]),
        ([NAN, 1.0, NAN], [NAN, 1.0, NAN]),
        ([NAN, NAN], [NAN, NAN]),
    ],
)
def test_gaps_up_to_the_longest_are_filled_and_no_others(values, filled):
    """Two days between neighbours are interpolated; three, and open ends, stay unknown."""
    np.testing.assert_array_equal(fill_short_gaps(np.array(values), longest=2), filled)


def test_places_do_not_fill_each_other():
    """Each row of a stack is filled from itself alone."""
    values = np.array([[0.0, NAN, 2.0], [NAN, 5.0, NAN]])
    expected = np.array([[0.0, 1.0, 2.0], [NAN, 5.0, NAN]])
    np.testing.assert_array_equal(fill_short_gaps(values, longest=5), expected)


def by_hand(values: list[float], longest: int) -> list[float]:
    """Fill gap by gap with a loop, as one would on paper."""
    out = list(values)
    known = [i for i, v in enumerate(values) if not np.isnan(v)]
    for left, right in pairwise(known):
        if 0 < right - left - 1 <= longest:
            step = (values[right] - values[left]) / (right - left)
            for day in range(left + 1, right):
                out[day] = values[left] + step * (day - left)
    return out


@given(
    st.lists(st.one_of(st.just(NAN), st.floats(-50, 50)), min_size=1, max_size=40),
    st.integers(0, 8),
)
def test_filling_agrees_with_a_loop_over_the_gaps(values, longest):
    """The vectorised filling gives the same as one gap at a time, for any series."""
    found = fill_short_gaps(np.array([values]), longest=longest)
    np.testing.assert_allclose(found[0], by_hand(values, longest), rtol=1e-9, atol=1e-9)
