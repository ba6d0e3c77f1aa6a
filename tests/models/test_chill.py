import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from models.chill import ChillError, chill_portions, chilling_hours, utah_units_of_day
from models.fields import FieldError

celsius = st.floats(-30.0, 40.0)


@given(celsius, celsius, celsius)
def test_hours_lie_between_none_and_a_day(one, other, threshold):
    """All of a day below its maximum, none above its minimum, and the rest between."""
    low, high = min(one, other), max(one, other)
    hours = chilling_hours(high, low, threshold=threshold)
    assert 0.0 <= hours <= 24.0
    if threshold > high:
        assert hours == 24.0
    if threshold < low:
        assert hours == 0.0


hundredths = st.integers(-3000, 4000).map(lambda number: number / 100.0)


@given(hundredths, hundredths, hundredths, st.integers(0, 1000))
def test_a_colder_day_has_no_fewer_chilling_hours(one, other, threshold, colder):
    """Moving a day down never takes hours away.

    In hundredths of a degree, as stations write them: a swing of the size of a rounding error is
    lost or doubled by the move itself. An arcsine near one turns a rounding error into a millionth
    of a day, hence the tolerance of a third of a second.
    """
    low, high = min(one, other), max(one, other)
    before = chilling_hours(high, low, threshold=threshold)
    down = colder / 100.0
    assert chilling_hours(high - down, low - down, threshold=threshold) >= before - 1e-4


def test_half_of_a_day_lies_below_its_mean():
    """A sine is symmetric: 12 hours, whatever its swing."""
    np.testing.assert_allclose(
        chilling_hours(
            np.array([10.0, 25.0]), np.array([0.0, 15.0]), threshold=np.array([5.0, 20])
        ),
        12.0,
    )


def test_a_day_at_one_temperature_is_all_in_its_class():
    """At 5 degC all day a day gives 24 units, at 30 it takes 24 away, in frost it gives none."""
    same = np.array([5.0, 30.0, -5.0])
    np.testing.assert_allclose(utah_units_of_day(same, same), [24.0, -24.0, 0.0])


def test_a_missing_extreme_leaves_the_day_unknown():
    """Not known is not zero hours."""
    high, low = np.array([np.nan, 5.0, 5.0]), np.array([0.0, np.nan, 5.0])
    hours = chilling_hours(high, low, threshold=7.0)
    assert np.isnan(hours[:2]).all()
    assert hours[2] == 24.0
    assert np.isnan(utah_units_of_day(high, low)[:2]).all()


def test_kelvin_is_refused():
    """A DataArray that says it is in kelvin is not read as degrees Celsius."""
    field = xr.DataArray([280.0], dims="time", attrs={"units": "K"})
    with pytest.raises(FieldError, match="tasmax must be in degC"):
        chilling_hours(field, field, threshold=7.2)


def test_warm_days_undo_what_cold_nights_began():
    """The dynamic model's point: the same cold hours give less when each day is hot between."""
    cold = np.tile(np.r_[np.full(16, 6.0), np.full(8, 6.0)], 30)
    hot = np.tile(np.r_[np.full(16, 6.0), np.full(8, 25.0)], 30)
    nights = np.tile(np.r_[np.full(16, True), np.full(8, False)], 30)
    assert chill_portions(hot).sum() < 0.5 * chill_portions(cold[nights]).sum()


def test_portions_are_worked_out_series_by_series():
    """Two series side by side give what each gives alone."""
    rng = np.random.default_rng(1)
    both = rng.uniform(0, 14, (2, 500))
    together = chill_portions(both)
    for number in range(2):
        np.testing.assert_array_equal(together[number], chill_portions(both[number]))


def test_a_missing_hour_is_refused():
    """The state past a gap is not known; the sentence says how many hours lack."""
    with pytest.raises(ChillError, match="1 of 3 temperatures are missing"):
        chill_portions(np.array([5.0, np.nan, 5.0]))
