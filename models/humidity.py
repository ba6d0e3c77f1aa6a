"""Water vapour of the air: vapour pressure, its deficit, and the humidity of the daytime.

Pollen is released by day, when the air is at its driest. The daily mean humidity that weather
services give is half night: what is asked of release limits is the humidity of the daytime, and
:func:`daytime_relative_humidity` gives it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.fields import Field, FieldT, apply_kernel, require_unit
from models.parameters import load_table

_TABLE = load_table("models", "humidity.toml")
_Array = NDArray[np.float64]


def saturation_vapour_pressure(temperature: FieldT) -> FieldT:
    r"""Vapour pressure of air saturated with water, from its temperature.

    Parameters
    ----------
    temperature
        Air temperature, or dew point to get the actual vapour pressure, any dims [degC].

    Returns
    -------
    float, numpy array or DataArray
        Saturation vapour pressure over liquid water [kPa]. NaN where the input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is not in degC.

    Notes
    -----
    .. math:: e_s(T) = 0.6108 \exp\frac{17.27\,T}{T + 237.3}

    Over liquid water also below 0 degC, where it lies above the pressure over ice.

    References
    ----------
    Allen R.G. et al. 1998. FAO Irrigation and Drainage Paper 56, equation 11.
    """
    require_unit(temperature, "degC", "temperature")
    result: FieldT = apply_kernel(
        _saturation,
        temperature,
        name="saturation_vapour_pressure",
        attrs={"units": "kPa", "long_name": "saturation vapour pressure"},
    )
    return result


def actual_vapour_pressure(hurs: FieldT, tas: FieldT) -> FieldT:
    r"""Vapour pressure of the air, from relative humidity and temperature.

    Parameters
    ----------
    hurs
        Relative humidity, any dims [%].
    tas
        Air temperature of the same moment or mean of the same day [degC].

    Returns
    -------
    float, numpy array or DataArray
        Vapour pressure [kPa]. NaN where an input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is in another unit.

    Notes
    -----
    :math:`e = e_s(T) \, H / 100`. From daily means it is slightly too low, because saturation
    pressure is convex in temperature.

    References
    ----------
    Allen R.G. et al. 1998. FAO Irrigation and Drainage Paper 56, equation 10 solved for the
    vapour pressure.
    """
    _require_humidity_and_temperature(hurs, tas)
    result: FieldT = apply_kernel(
        _actual,
        hurs,
        tas,
        name="vapour_pressure",
        attrs={
            "units": "kPa",
            "standard_name": "water_vapor_partial_pressure_in_air",
            "long_name": "vapour pressure",
        },
    )
    return result


def daytime_relative_humidity(hurs: FieldT, tas: FieldT, tasmax: FieldT) -> FieldT:
    r"""Relative humidity of the warmest hours, from the daily means and the maximum temperature.

    Limits of humidity in pollen release schemes are meant for the hour. A daily mean, lifted by
    the saturated night, lies above such a limit on most days of a wet season although afternoons
    are dry enough; the humidity at the daily maximum is the fair reading of a daily value.

    Parameters
    ----------
    hurs
        Daily mean relative humidity, any dims [%].
    tas, tasmax
        Daily mean and maximum air temperature [degC].

    Returns
    -------
    float, numpy array or DataArray
        Relative humidity at the daily maximum temperature, within 0 and 100 [%]. NaN where an
        input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is in another unit.

    Notes
    -----
    :math:`100 \, e(H, T) / e_s(T_x)`: the vapour of the day is taken to stay the same while the
    air warms. Change of air mass, sea breeze and rain in the afternoon break that.
    """
    _require_humidity_and_temperature(hurs, tas)
    require_unit(tasmax, "degC", "tasmax")
    result: FieldT = apply_kernel(
        _daytime,
        hurs,
        tas,
        tasmax,
        name="daytime_relative_humidity",
        attrs={
            "units": "%",
            "standard_name": "relative_humidity",
            "long_name": "relative humidity at the daily maximum temperature",
        },
    )
    return result


def vapour_pressure_deficit(hurs: FieldT, tas: FieldT) -> FieldT:
    r"""How much more vapour the air could hold: saturation less actual vapour pressure.

    Parameters
    ----------
    hurs
        Relative humidity, any dims [%].
    tas
        Air temperature [degC].

    Returns
    -------
    float, numpy array or DataArray
        Vapour pressure deficit [kPa]; zero where the humidity reads above 100 %. NaN where an
        input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is in another unit.

    Notes
    -----
    :math:`e_s(T) (1 - H / 100)`, both terms at the same temperature. FAO-56 takes the mean of the
    saturation pressures at the two daily extremes instead, which is larger.
    """
    _require_humidity_and_temperature(hurs, tas)
    result: FieldT = apply_kernel(
        _deficit,
        hurs,
        tas,
        name="vapour_pressure_deficit",
        attrs={
            "units": "kPa",
            "standard_name": "water_vapor_saturation_deficit_in_air",
            "long_name": "vapour pressure deficit",
        },
    )
    return result


def air_pressure(elevation: FieldT) -> FieldT:
    r"""Air pressure of a standard atmosphere at a height.

    Parameters
    ----------
    elevation
        Height above sea level, any dims [m].

    Returns
    -------
    float, numpy array or DataArray
        Air pressure [kPa].

    Raises
    ------
    FieldError
        If a DataArray says that it is not in metres.

    Notes
    -----
    .. math:: P = 101.3 \left(\frac{293 - 0.0065 z}{293}\right)^{5.26}

    References
    ----------
    Allen R.G. et al. 1998. FAO Irrigation and Drainage Paper 56, equation 7.
    """
    require_unit(elevation, "m", "elevation")
    result: FieldT = apply_kernel(
        _pressure,
        elevation,
        name="air_pressure",
        attrs={"units": "kPa", "standard_name": "air_pressure", "long_name": "air pressure"},
    )
    return result


def mixing_ratio(vapour_pressure: FieldT, *, pressure: Field | None = None) -> FieldT:
    r"""Grams of water vapour in a kilogram of dry air.

    The measure in which limits for house dust mites are given: unlike relative humidity it stays
    the same when outdoor air is warmed indoors.

    Parameters
    ----------
    vapour_pressure
        Vapour pressure of the air, any dims [kPa].
    pressure
        Air pressure [kPa], as from :func:`air_pressure`; None for sea level.

    Returns
    -------
    float, numpy array or DataArray
        Mixing ratio [g kg-1]. NaN where an input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is not in kPa.

    Notes
    -----
    :math:`w = 622 \, e / (P - e)`.
    """
    require_unit(vapour_pressure, "kPa", "vapour pressure")
    air = _TABLE.number("air.pressure_at_sea_level") if pressure is None else pressure
    require_unit(air, "kPa", "air pressure")
    result: FieldT = apply_kernel(
        _mixing_ratio,
        vapour_pressure,
        air,
        name="mixing_ratio",
        attrs={
            "units": "g kg-1",
            "standard_name": "humidity_mixing_ratio",
            "long_name": "mixing ratio of water vapour",
        },
    )
    return result


def _require_humidity_and_temperature(hurs: Field, tas: Field) -> None:
    require_unit(hurs, "%", "relative humidity")
    require_unit(tas, "degC", "temperature")


def _saturation(temperature: _Array) -> _Array:
    exponent, offset = _TABLE.number("saturation.exponent"), _TABLE.number("saturation.offset")
    growth = np.exp(exponent * temperature / (temperature + offset))
    return np.asarray(_TABLE.number("saturation.pressure_at_zero") * growth)


def _actual(humidity: _Array, temperature: _Array) -> _Array:
    return humidity / 100.0 * _saturation(temperature)


def _daytime(humidity: _Array, mean: _Array, maximum: _Array) -> _Array:
    return np.clip(100.0 * _actual(humidity, mean) / _saturation(maximum), 0.0, 100.0)


def _deficit(humidity: _Array, temperature: _Array) -> _Array:
    return np.maximum(_saturation(temperature) - _actual(humidity, temperature), 0.0)


def _pressure(elevation: _Array) -> _Array:
    warmth = _TABLE.number("air.temperature_at_sea_level")
    share = (warmth - _TABLE.number("air.lapse_rate") * elevation) / warmth
    return np.asarray(
        _TABLE.number("air.pressure_at_sea_level") * share ** _TABLE.number("air.exponent")
    )


def _mixing_ratio(vapour: _Array, air: _Array) -> _Array:
    grams = 1000.0 * _TABLE.number("water.molecular_weight_ratio")
    return grams * vapour / (air - vapour)
