from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models.fields import FieldError
from models.heat import (
    DegreeDayError,
    degree_days_average,
    degree_days_mean,
    degree_days_sine,
    degree_days_truncated,
)

examples = settings(max_examples=40, derandomize=True, deadline=None)

METHODS = (degree_days_average, degree_days_truncated, degree_days_sine)
CUTOFFS = ("horizontal", "intermediate", "vertical")
NOISE = 1e-9

temperatures = st.floats(-40, 50)
swings = st.integers(0, 3000).map(lambda hundredths: hundredths / 100)  # as thermometers read
bases = st.floats(-5, 20)
widths = st.floats(0.5, 30)


@examples
@given(temperatures, swings, bases, widths)
def test_single_sine_is_the_mean_of_a_sine_wave(mean, amplitude, base, width):
    """Averaging the rate along a finely sampled wave gives the same, for every cut-off."""
    angle = (np.arange(20_000) + 0.5) * np.pi / 10_000
    wave = mean + amplitude * np.sin(angle)
    upper = base + width
    above, beyond = np.maximum(wave - base, 0), np.maximum(wave - upper, 0)
    expected = {
        "horizontal": (above - beyond).mean(),
        "intermediate": max((above - 2 * beyond).mean(), 0.0),
        "vertical": np.where(wave > upper, 0.0, above).mean(),
    }
    for cutoff, value in expected.items():
        found = degree_days_sine(
            mean + amplitude, mean - amplitude, base=base, upper=upper, cutoff=cutoff
        )
        # One sample of 20,000 may fall on the wrong side of the vertical step.
        assert found == pytest.approx(value, abs=4 * width / 20_000 + 1e-5)


@pytest.mark.parametrize("method", METHODS)
@examples
@given(st.data())
def test_more_warmth_never_brings_fewer_degree_days(method, data):
    """Without an upper threshold degree days rise with both extremes and fall with the base."""
    low = data.draw(temperatures)
    high, base, more = low + data.draw(swings), data.draw(bases), data.draw(swings)
    here = method(high, low, base=base)
    assert here >= 0.0
    assert method(high + more, low, base=base) >= here - NOISE
    assert method(high, min(low + more, high), base=base) >= here - NOISE
    assert method(high, low, base=base + more) <= here + NOISE


@examples
@given(temperatures, swings, bases, widths)
def test_methods_keep_their_order(low, swing, base, width):
    """Average <= sine <= truncated average, and an upper threshold never adds degree days."""
    high, upper = low + swing, base + width
    average, truncated, sine = (method(high, low, base=base) for method in METHODS)
    assert average <= sine + NOISE
    assert sine <= truncated + NOISE
    for method, free in zip(METHODS, (average, truncated, sine), strict=True):
        assert method(high, low, base=base, upper=upper) <= free + NOISE
    by_cutoff = [
        degree_days_sine(high, low, base=base, upper=upper, cutoff=cutoff) for cutoff in CUTOFFS
    ]
    assert by_cutoff[1] <= by_cutoff[0] + NOISE
    assert by_cutoff[2] <= by_cutoff[0] + NOISE


@examples
@given(temperatures, swings, bases, widths)
def test_fahrenheit_gives_nine_fifths(low, swing, base, width):
    """The same day in Fahrenheit has 9/5 as many degree days: degrees are converted, not offset."""

    def fahrenheit(celsius):
        return celsius * 9 / 5 + 32

    high, upper = low + swing, base + width
    for method in METHODS:
        celsius = method(high, low, base=base, upper=upper)
        other = method(
            fahrenheit(high), fahrenheit(low), base=fahrenheit(base), upper=fahrenheit(upper)
        )
        assert other == pytest.approx(9 / 5 * celsius, abs=1e-8)


@pytest.mark.parametrize("method", METHODS)
def test_a_day_without_swing_counts_its_excess(method):
    """Equal extremes give the plain difference from the base, at the base nothing."""
    assert method(17.0, 17.0, base=10) == pytest.approx(7.0)
    assert method(10.0, 10.0, base=10) == 0.0
    assert method(3.0, 3.0, base=10) == 0.0


@pytest.mark.parametrize(
    ("upper", "days"), [(20.0, (7.0, 7.0, 7.0)), (15.0, (5.0, 3.0, 0.0)), (17.0, (7.0, 7.0, 7.0))]
)
def test_a_day_without_swing_is_below_or_above_the_upper_threshold(upper, days):
    """All day at 17 with base 10: by hand 7, and above an upper threshold of 15: 5, 7 - 4, none."""
    found = [degree_days_sine(17.0, 17.0, base=10, upper=upper, cutoff=c) for c in CUTOFFS]
    assert found == pytest.approx(days)


@pytest.mark.parametrize("cutoff", CUTOFFS)
def test_a_threshold_that_is_not_reached_changes_nothing(cutoff):
    """An upper threshold above the day's maximum, even an infinite one, is as good as none."""
    free = degree_days_sine(24.0, 6.0, base=10)
    for upper in (24.0, 30.0, np.inf):
        found = degree_days_sine(24.0, 6.0, base=10, upper=upper, cutoff=cutoff)
        assert found == pytest.approx(free, abs=1e-12)


def test_one_base_for_each_allergen():
    """A field of bases and upper thresholds (some without) is broadcast against the weather."""
    tas = xr.DataArray([[5.0, 15.0], [25.0, 35.0]], dims=("region", "time"))
    base = xr.DataArray([0.0, 10.0], dims="allergen")
    upper = xr.DataArray([np.inf, 30.0], dims="allergen")
    days = degree_days_mean(tas, base=base, upper=upper)
    assert days.dims == ("region", "time", "allergen")
    assert days.sel(allergen=0).values.tolist() == [[5, 15], [25, 35]]
    assert days.sel(allergen=1).values.tolist() == [[0, 5], [15, 20]]
    sine = degree_days_sine(tas + 5, tas - 5, base=base, upper=upper)
    assert float(sine[1, 1, 0]) == pytest.approx(35.0)
    assert float(sine[1, 0, 1]) == pytest.approx(15.0)


def test_labels_are_kept_and_the_unit_is_that_of_degree_days():
    """Dims, coordinates and origin stay; what would describe a temperature does not."""
    tasmax = xr.DataArray(
        [[20.0, 25.0]],
        dims=("region", "time"),
        coords={"region": ["north"], "time": np.array(["2024-05-01", "2024-05-02"], "M8[ns]")},
        attrs={
            "units": "degC",
            "standard_name": "air_temperature",
            "cell_methods": "time: maximum",
            "source": "station",
        },
    )
    days = degree_days_sine(tasmax, tasmax - 8.0, base=5.0)
    assert days.dims == ("region", "time")
    assert days.indexes["time"].equals(tasmax.indexes["time"])
    assert days.attrs["units"] == "degC d"
    assert days.attrs["source"] == "station"
    assert days.attrs["standard_name"] == "integral_wrt_time_of_air_temperature_excess"
    assert tasmax.attrs["units"] == "degC"


@pytest.mark.parametrize("method", METHODS)
def test_unknown_stays_unknown(method):
    """A missing extreme gives a missing day, with and without upper threshold."""
    high, low = np.array([np.nan, 20.0, 20.0]), np.array([5.0, np.nan, 5.0])
    for upper in (None, 30.0):
        days = method(high, low, base=8.0, upper=upper)
        assert np.isnan(days).tolist() == [True, True, False]
    assert np.isnan(
        degree_days_sine(high, low, base=8.0, upper=12.0, cutoff="vertical")
    ).tolist() == [True, True, False]


@examples
@given(temperatures, swings)
def test_exchanged_extremes_are_read_the_right_way_round(low, swing):
    """A maximum below its minimum gives the degree days of the day it must have been."""
    for method in METHODS:
        assert method(low, low + swing, base=6.0, upper=28.0) == pytest.approx(
            method(low + swing, low, base=6.0, upper=28.0), abs=NOISE
        )


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("upper", [10.0, 9.0])
def test_an_upper_threshold_must_lie_above_the_base(method, upper):
    """The sentence names both thresholds."""
    with pytest.raises(DegreeDayError, match=f"above the base.*base 10.*threshold {upper:g}"):
        method(20.0, 5.0, base=10.0, upper=upper)


def test_the_wrong_one_of_many_thresholds_is_named():
    """Among thresholds by allergen, the first impossible pair is shown."""
    base = xr.DataArray([0.0, 12.0], dims="allergen")
    with pytest.raises(DegreeDayError, match="base 12 and upper threshold 11"):
        degree_days_average(20.0, 5.0, base=base, upper=11.0)


def test_an_unknown_cutoff_is_refused_with_the_known_ones():
    """The sentence lists what is allowed."""
    with pytest.raises(DegreeDayError, match=r"horizontal, intermediate, vertical.*'slanted'"):
        degree_days_sine(20.0, 5.0, base=10.0, upper=15.0, cutoff="slanted")


def test_kelvin_is_refused():
    """Degree days above 10 of a temperature in kelvin would be 270 a day too many."""
    tasmax = xr.DataArray([290.0], dims="time", attrs={"units": "K"})
    with pytest.raises(FieldError, match="tasmax must be in degC"):
        degree_days_average(tasmax, tasmax - 8, base=10.0)
