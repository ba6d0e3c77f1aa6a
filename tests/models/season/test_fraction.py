import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.season.fraction import FuzzySeason
from models.season.years import SeasonError

# Onset 100 with half-width 50, length 100 with half-width 50: the rate share rises from 50 to 150,
# and falls from 150 to 250: a triangle with its top at 150.
TRIANGLE = FuzzySeason(100.0, 100.0, 0.5, 0.5)


@pytest.mark.parametrize(
    ("total", "fraction"),
    [(0, 0.0), (50, 0.0), (100, 0.125), (150, 0.5), (200, 0.875), (250, 1.0), (999, 1.0)],
)
def test_the_released_fraction_is_the_area_under_the_rate(total, fraction):
    """Of a triangle half lies left of its top, an eighth left of the middle of a flank."""
    assert TRIANGLE.released(np.array([float(total)]))[0] == pytest.approx(fraction, abs=1e-12)


@given(
    onset=st.floats(1, 1e3),
    length=st.floats(1, 1e3),
    widths=st.tuples(st.floats(0.05, 1), st.floats(0.05, 1)),
)
def test_the_released_fraction_never_falls_and_ends_at_one(onset, length, widths):
    """Whatever the thresholds, a season runs from nothing to all of it."""
    season = FuzzySeason(onset, length, *widths)
    released = season.released(np.linspace(0, season.last, 300))
    assert (np.diff(released) >= -1e-12).all()
    assert released[0] == 0
    assert released[-1] == pytest.approx(1.0, abs=1e-12)


def test_a_season_without_length_is_refused():
    """Zero length would divide by zero; the sentence says what is allowed."""
    with pytest.raises(SeasonError, match="length 0"):
        FuzzySeason(100.0, 0.0, 0.2, 0.2)
