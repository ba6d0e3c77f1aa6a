from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from models.fields import FieldError
from models.humidity import (
    actual_vapour_pressure,
    air_pressure,
    daytime_relative_humidity,
    mixing_ratio,
    saturation_vapour_pressure,
    vapour_pressure_deficit,
)

examples = settings(max_examples=40, derandomize=True, deadline=None)
temperatures = st.floats(-30, 45)
humidities = st.floats(0, 100)
swings = st.floats(0, 20)


@examples
@given(temperatures, swings)
def test_warmer_air_holds_more_water(temperature, more):
    """Saturation vapour pressure rises with temperature."""
    assert saturation_vapour_pressure(temperature + more) >= saturation_vapour_pressure(temperature)


@examples
@given(humidities, temperatures)
def test_vapour_and_deficit_add_up_to_saturation(humidity, temperature):
    """What the air holds and what it lacks is what it could hold."""
    total = actual_vapour_pressure(humidity, temperature) + vapour_pressure_deficit(
        humidity, temperature
    )
    assert total == pytest.approx(saturation_vapour_pressure(temperature), rel=1e-12)


@examples
@given(humidities, temperatures, swings)
def test_afternoons_are_drier_than_the_day(humidity, mean, swing):
    """Relative humidity at the maximum never exceeds the mean, and equals it without swing."""
    assert daytime_relative_humidity(humidity, mean, mean + swing) <= humidity + 1e-9
    assert daytime_relative_humidity(humidity, mean, mean) == pytest.approx(humidity, abs=1e-9)


def test_a_monsoon_day_still_has_a_dry_afternoon():
    """85 % over a day of 25 degC leaves about 63 % at 30 degC: 85 x 3.168 / 4.243 by hand."""
    assert daytime_relative_humidity(85.0, 25.0, 30.0) == pytest.approx(
        85 * 3.168 / 4.243, abs=0.05
    )


def test_daytime_humidity_stays_within_0_and_100():
    """Readings beyond saturation, and a maximum below the mean, do not leave the scale."""
    found = daytime_relative_humidity(
        np.array([104.0, 95.0, -1.0]), np.array([10.0, 10.0, 10.0]), np.array([10.0, 8.0, 12.0])
    )
    assert found.tolist() == [100.0, 100.0, 0.0]


def test_a_reading_above_saturation_has_no_deficit():
    """Fog at 103 % lacks nothing."""
    assert vapour_pressure_deficit(103.0, 12.0) == 0.0


def test_mixing_ratio_rises_with_height_at_equal_vapour():
    """Thinner air holds the same vapour in fewer kilograms."""
    low, high = (mixing_ratio(1.0, pressure=air_pressure(z)) for z in (0.0, 1500.0))
    assert high > low


def test_fields_keep_their_dims_and_name_their_unit():
    """A weather dataset gives labelled results in documented units."""
    weather = xr.Dataset(
        {
            "hurs": (("region", "time"), [[80.0, np.nan]], {"units": "%"}),
            "tas": (("region", "time"), [[15.0, 15.0]], {"units": "degC"}),
            "tasmax": (("region", "time"), [[20.0, 20.0]], {"units": "degC"}),
        }
    )
    pressure = actual_vapour_pressure(weather["hurs"], weather["tas"])
    daytime = daytime_relative_humidity(weather["hurs"], weather["tas"], weather["tasmax"])
    assert pressure.dims == daytime.dims == ("region", "time")
    assert (pressure.attrs["units"], daytime.attrs["units"]) == ("kPa", "%")
    assert mixing_ratio(pressure).attrs["units"] == "g kg-1"
    assert np.isnan(daytime.values).tolist() == [[False, True]]


def test_humidity_as_a_share_is_refused():
    """A humidity of 0.8 in units of 1 would read as bone-dry air."""
    hurs = xr.DataArray([0.8], dims="time", attrs={"units": "1"})
    tas = xr.DataArray([15.0], dims="time", attrs={"units": "degC"})
    with pytest.raises(FieldError, match=r"relative humidity must be in %.*'1'"):
        actual_vapour_pressure(hurs, tas)
