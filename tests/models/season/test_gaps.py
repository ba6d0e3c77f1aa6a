import numpy as np
import pytest

from models.season.gaps import fill_short_gaps

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
