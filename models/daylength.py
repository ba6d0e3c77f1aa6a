"""Day length from latitude and day of the year."""

from __future__ import annotations

from typing import Any, Literal, cast, get_args, overload

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models import kernels
from models.errors import ForepawError
from models.fields import Field, apply_kernel
from models.parameters import load_table

SunAngle = Literal["centre", "upper_limb", "refracted", "civil_twilight"]

_TABLE = load_table("models", "daylength.toml")
_DAYS_OF_A_LEAP_YEAR = 366
_CONSTANTS = (
    "revolution.phase",
    "revolution.eccentricity_factor",
    "revolution.rate",
    "revolution.reference_day",
    "declination.sine_of_obliquity",
)


class DayLengthError(ForepawError):
    """A latitude, day of the year or sun angle that does not exist."""


@overload
def day_length(
    latitude: xr.DataArray, day_of_year: Field, *, sun_angle: SunAngle | float = ...
) -> xr.DataArray: ...
@overload
def day_length(
    latitude: Field, day_of_year: xr.DataArray, *, sun_angle: SunAngle | float = ...
) -> xr.DataArray: ...
@overload
def day_length(
    latitude: float, day_of_year: float, *, sun_angle: SunAngle | float = ...
) -> float: ...
@overload
def day_length(
    latitude: NDArray[Any], day_of_year: float | NDArray[Any], *, sun_angle: SunAngle | float = ...
) -> NDArray[np.float64]: ...
@overload
def day_length(
    latitude: float, day_of_year: NDArray[Any], *, sun_angle: SunAngle | float = ...
) -> NDArray[np.float64]: ...
def day_length(
    latitude: Field, day_of_year: Field, *, sun_angle: SunAngle | float = "refracted"
) -> Field:
    r"""Hours from sunrise to sunset, by the CBM model.

    Short-day weeds such as ragweed flower when the day becomes short enough, whatever the weather:
    for them this is the clock.

    Parameters
    ----------
    latitude
        Geographic latitude, north positive, -90 to 90 [degree].
    day_of_year
        1 to 366 [d]. Dims are broadcast with those of `latitude`.
    sun_angle
        Where the day begins and ends, by name (``centre``, ``upper_limb``, ``refracted``,
        ``civil_twilight``; values in ``daylength.toml``) or as depression of the sun's centre
        below the horizon [degree]. ``refracted`` is the sunrise of almanacs.

    Returns
    -------
    float, numpy array or DataArray
        Day length on the dims of both inputs, 0 to 24 [h]. NaN where an input is NaN.

    Raises
    ------
    DayLengthError
        If a latitude, a day or the name of the sun angle is outside what exists.

    Notes
    -----
    With :math:`J` the day of the year, :math:`\lambda` the latitude and :math:`p` the sun angle,

    .. math::
        \theta &= 0.2163108 + 2 \arctan[0.9671396 \tan(0.00860 (J - 186))] \\
        \varphi &= \arcsin(0.39795 \cos\theta) \\
        L &= 24 - \frac{24}{\pi} \arccos
             \frac{\sin p + \sin\lambda \sin\varphi}{\cos\lambda \cos\varphi}

    The fraction is held within -1 and 1: polar night is 0 h, polar day is 24 h. The number of a day
    drifts against the sun by up to a day within four years, so the day on which a given length is
    reached is good to about a day; beyond that the hours agree with an almanac within 1.2 minutes
    up to 56 degrees of latitude.

    References
    ----------
    Forsythe W.C., Rykiel E.J., Stahl R.S., Wu H., Schoolfield R.M. 1995. A model comparison for
    daylength as a function of latitude and day of year. Ecological Modelling 80:87-95. Constants
    as commonly implemented.
    """
    depression = _depression(sun_angle)

    def kernel(latitudes: NDArray[np.float64], days: NDArray[np.float64]) -> NDArray[np.float64]:
        return _hours(latitudes, days, depression)

    attrs = {"units": "h", "long_name": "day length", "sun_angle": np.rad2deg(depression)}
    return cast(Field, apply_kernel(kernel, latitude, day_of_year, name="day_length", attrs=attrs))


def _depression(sun_angle: SunAngle | float) -> float:
    if isinstance(sun_angle, str):
        if sun_angle not in get_args(SunAngle):
            raise DayLengthError(
                f"the sun angle must be one of {', '.join(get_args(SunAngle))} or a number of "
                f"degrees, got {sun_angle!r}"
            )
        return float(np.deg2rad(_TABLE.number(f"sun_angle.{sun_angle}")))
    return float(np.deg2rad(sun_angle))


def _hours(
    latitude: NDArray[np.float64], day_of_year: NDArray[np.float64], depression: float
) -> NDArray[np.float64]:
    _require_range(latitude, -90.0, 90.0, "latitude [degree]")
    _require_range(day_of_year, 1.0, _DAYS_OF_A_LEAP_YEAR, "day of the year")
    parallel, declination = np.deg2rad(latitude), _declination(day_of_year)
    hours = kernels.daylight_hours(
        np.sin(parallel),
        np.cos(parallel),
        np.sin(declination),
        np.cos(declination),
        np.sin(depression),
    )
    return np.asarray(hours)


def _declination(day_of_year: NDArray[np.float64]) -> NDArray[np.float64]:
    phase, eccentricity, rate, reference, obliquity = (_TABLE.number(name) for name in _CONSTANTS)
    turned = np.tan(rate * (day_of_year - reference))
    revolution = phase + 2.0 * np.arctan(eccentricity * turned)
    return np.asarray(np.arcsin(obliquity * np.cos(revolution)))


def _require_range(values: NDArray[np.float64], low: float, high: float, what: str) -> None:
    outside = (values < low) | (values > high)
    if np.any(outside):
        raise DayLengthError(
            f"{what} must lie between {low:g} and {high:g}, "
            f"got {float(values[outside].flat[0]):g} ({int(outside.sum())} such values)"
        )
