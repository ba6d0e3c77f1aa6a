from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models.daylength import DayLengthError, day_length
from models.parameters import load_table

examples = settings(max_examples=40, derandomize=True, deadline=None)
latitudes = st.floats(-90, 90)
days = st.integers(1, 366)


@examples
@given(latitudes, days)
def test_hours_stay_within_a_day(latitude, day):
    """Everywhere and always between 0 and 24 h, at the poles too."""
    assert 0.0 <= day_length(latitude, day) <= 24.0


@examples
@given(latitudes, days)
def test_hemispheres_mirror_each_other(latitude, day):
    """With the sun's centre on the horizon, day in the north is night in the south."""
    north = day_length(latitude, day, sun_angle="centre")
    south = day_length(-latitude, day, sun_angle="centre")
    assert north + south == pytest.approx(24.0, abs=1e-6)


@examples
@given(st.floats(-65, 65), days)
def test_a_lower_sun_makes_a_longer_day(latitude, day):
    """Centre, upper limb, refraction and twilight follow in that order."""
    hours = [
        day_length(latitude, day, sun_angle=angle)
        for angle in ("centre", "upper_limb", "refracted", "civil_twilight")
    ]
    assert hours == sorted(hours)


def test_polar_day_and_night():
    """At 80 degrees the June sun does not set and the December sun does not rise."""
    assert day_length(80.0, 172) == 24.0
    assert day_length(80.0, 355) == 0.0
    assert day_length(-80.0, 172) == 0.0


def test_labelled_latitudes_and_days_are_broadcast():
    """Regions and dates give a field on both, in hours, equal to the single values."""
    time = xr.DataArray(pd.date_range("2024-06-20", periods=2), dims="time")
    latitude = xr.DataArray([0.0, 50.0, -50.0], dims="region", coords={"region": ["a", "b", "c"]})
    hours = day_length(latitude, time.dt.dayofyear)
    assert hours.dims == ("region", "time")
    assert hours.attrs["units"] == "h"
    assert float(hours[1, 0]) == day_length(50.0, 172)


def test_an_angle_in_degrees_equals_its_name():
    """The names of the table stand for the degrees it holds."""
    angle = load_table("models", "daylength.toml").number("sun_angle.civil_twilight")
    assert day_length(47.0, 100, sun_angle=angle) == day_length(
        47.0, 100, sun_angle="civil_twilight"
    )


def test_unknown_stays_unknown():
    """NaN in latitude or day gives NaN."""
    assert np.isnan(day_length(np.array([np.nan, 10.0]), 5)).tolist() == [True, False]
    assert np.isnan(day_length(10.0, np.nan))


@pytest.mark.parametrize(
    ("latitude", "day", "angle", "words"),
    [
        (91.0, 1, "refracted", "latitude.*-90 and 90.*91"),
        (0.0, 0, "refracted", "day of the year.*1 and 366.*0"),
        (0.0, 367, "refracted", "day of the year.*367"),
        (0.0, 1, "dusk", "centre, upper_limb, refracted, civil_twilight.*'dusk'"),
    ],
)
def test_what_does_not_exist_is_refused(latitude, day, angle, words):
    """The sentence gives the allowed range or names, and what was found."""
    with pytest.raises(DayLengthError, match=words):
        day_length(latitude, day, sun_angle=angle)
