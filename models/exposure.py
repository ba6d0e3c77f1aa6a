r"""Exposure: what a season offers, times what the day's weather lets loose.

.. math:: E_d = r_d \; \max(\epsilon,\; f_{RH} \, f_P \, f_w)

with :math:`r` the season rate and three factors of the form that birch pollen models use:

.. math::
    f_{RH} &= \min\{1, \max[0, (80 - H_d) / (80 - 50)]\} \\
    f_P &= 1 - \frac{h}{24} \min\{1, (P / h) / 0.5\}, \qquad h = \min(24, a P^b) \\
    f_w &= 1.5 - \exp[-(U + w_*) / 5]

:math:`H_d` is the relative humidity [%] at the daily maximum temperature, :math:`P` the day's rain
[mm], :math:`h` its estimated wet hours, :math:`U` the wind at 10 m [m s-1], :math:`w_*` the
convective velocity. The limits are meant for the hour. Read on daily values they go wrong in a
monsoon: the daily mean humidity is above 80 % for weeks although afternoons are drier, so the
daytime's is used; and 11 mm in two hours of thunder spread over 24 would pass as drizzle, while
they leave 22 hours dry, so rain acts on its wet hours alone.

Scaling: exposure is divided by the total of the region's mean season over training years, so that a
mean season sums to one and a year's total says how that year's weather compares. How much pollen
a year brings (masting, stands) is a factor of its own, ``year_amount_log_sd`` of the allergen, and
is not in here.

Validity: relative exposure within a region over days and weeks. It is modelled, not a count, and
no concentration. Moulds get the same response: published signs for them differ between sites (UK
and Valladolid: dry and warm; Stockholm: rain and wind), which gives no ground for an own curve.
Known failures: transport from afar, breaking of grains in thunderstorms and air at a place more
sheltered than the station are not modelled; wet hours from daily rain explain under half of
their variance; humidity at the maximum assumes the vapour of the day to stay constant.

References
----------
Sofiev M. et al. 2013. International Journal of Biometeorology 57:45-58 (limits as commonly
implemented; linear shapes and the wind factor from memory).
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from models.allergens import Allergen
from models.errors import ForepawError
from models.humidity import daytime_relative_humidity
from models.parameters import ParameterTable, load_table
from models.season.dates import season_dates
from models.weeks import weekly

_HOURS_IN_DAY = 24.0
_INPUTS = ("tas", "tasmax", "hurs", "pr", "sfcWind")


class ExposureError(ForepawError):
    """Weather or seasons from which exposure cannot be worked out."""


def release(weather: xr.Dataset) -> xr.DataArray:
    """Return how much of what the season offers the weather of the day lets loose.

    Parameters
    ----------
    weather
        Daily ``tas``, ``tasmax`` [degC], ``hurs`` [%], ``pr`` [mm/day] and ``sfcWind`` [m/s], any
        dims.

    Returns
    -------
    xarray.DataArray
        From the floor of the table to 1.5, dims of ``tas`` [1]. NaN where an input is NaN.

    Raises
    ------
    ExposureError
        If the weather lacks a variable.
    """
    lacking = [name for name in _INPUTS if name not in weather]
    if lacking:
        raise ExposureError(
            f"release needs {', '.join(_INPUTS)}; the weather lacks {', '.join(lacking)}"
        )
    humidity = daytime_relative_humidity(weather["hurs"], weather["tas"], weather["tasmax"])
    factor = (
        humidity_factor(humidity) * rain_factor(weather["pr"]) * wind_factor(weather["sfcWind"])
    )
    # DataArray.clip keeps NaN, so a missing input is not lifted to the floor.
    released = factor.clip(min=_table().number("floor")).transpose(*weather["tas"].dims)
    released.attrs = {"units": "1", "long_name": "release of pollen and spores"}
    return released.rename("release")


def humidity_factor(humidity: xr.DataArray) -> xr.DataArray:
    """Return f_RH, 1 in dry air and 0 in damp air, from relative humidity by day [%]."""
    full, none = (_table().number(f"humidity.{name}_release") for name in ("full", "no"))
    return ((none - humidity) / (none - full)).clip(0.0, 1.0)


def wet_hours(rain: xr.DataArray) -> xr.DataArray:
    """Return the estimated hours with rain of a day, from its total [mm/day] to [h]."""
    factor = _table().number("rain.wet_hours_factor")
    power = rain.clip(min=0.0) ** _table().number("rain.wet_hours_exponent")
    hours: xr.DataArray = factor * power
    return hours.clip(max=_HOURS_IN_DAY)


def rain_factor(rain: xr.DataArray) -> xr.DataArray:
    """Return f_P, the part of a day's release that its rain [mm/day] leaves, 1 on a dry day."""
    hours = wet_hours(rain)
    stopping = _table().number("rain.no_release")
    # Rate over limit, times the share of the day; written so that a dry day divides by nothing.
    stopped: xr.DataArray = xr.ufuncs.minimum(rain.clip(min=0.0) / stopping, hours)
    return 1.0 - stopped / _HOURS_IN_DAY


def wind_factor(wind: xr.DataArray) -> xr.DataArray:
    """Return f_w, from 0.5 in still air towards 1.5, from the wind at 10 m [m/s]."""
    saturated, scale, convective = (
        _table().number(f"wind.{name}") for name in ("saturated", "scale", "convective")
    )
    lifting: xr.DataArray = xr.ufuncs.exp(-(wind.clip(min=0.0) + convective) / scale)
    return saturated - lifting


def daily_exposure(
    weather: xr.Dataset,
    allergen: Allergen,
    rate: xr.DataArray,
    *,
    released: xr.DataArray | None = None,
) -> xr.DataArray:
    """Return the daily exposure: season rate times release.

    Parameters
    ----------
    weather
        As for `release`.
    allergen
        Whose season rate it is; named in the attributes.
    rate
        From ``season_rate`` on the same days [d-1].
    released
        From `release` of the same weather, where several allergens share it.

    Returns
    -------
    xarray.DataArray
        Dims of `rate` [d-1], before scaling. NaN where the release is unknown although the season
        is on, or the rate is unknown; zero where no season is on, whatever the weather. For mites
        and fleas it is the rate alone: neither rain nor wind lets them loose.

    Raises
    ------
    ExposureError
        If weather and rate do not cover the same days.
    """
    if not rate.indexes["time"].equals(weather.indexes["time"]):
        raise ExposureError(
            f"exposure to {allergen.name} needs rate and weather of the same days; the rate has "
            f"{rate.sizes['time']} days from {rate['time'].values[0].astype('datetime64[D]')}, the "
            f"weather {weather.sizes['time']} from "
            f"{weather['time'].values[0].astype('datetime64[D]')}"
        )
    if not allergen.is_airborne:
        exposure: xr.DataArray = rate.copy()
    else:
        released = release(weather) if released is None else released
        # no season, no exposure, whatever the weather; not even where the weather is not known
        values = np.zeros(rate.shape)
        np.multiply(
            rate.values, released.transpose(*rate.dims).values, out=values, where=rate.values != 0
        )
        exposure = rate.copy(data=values)
    exposure.attrs = {
        "units": "d-1",
        "long_name": f"modelled exposure to {allergen.name}",
        "allergen": allergen.id,
    }
    return exposure.rename("exposure")


def mean_season_total(exposure: xr.DataArray, allergen: Allergen) -> xr.DataArray:
    """Return the total exposure of a region's mean season, over the complete seasons given.

    Parameters
    ----------
    exposure
        Daily exposure of the training years, before scaling, with ``latitude`` [d-1].
    allergen
        Whose window says what a season is.

    Returns
    -------
    xarray.DataArray
        Time replaced by nothing, other dims kept [1]. A year in which the season never came counts
        as zero; a season with a missing day, or cut off by the ends of the axis, does not count.

    Raises
    ------
    ExposureError
        If some place has fewer complete seasons than the table asks for.
    """
    totals = season_dates(exposure, allergen)["total"]
    least = int(_table().number("scaling.least_years"))
    held = totals.notnull().sum("year")
    if bool((held < least).any()):
        raise ExposureError(
            f"a mean season of {allergen.name} needs {least} complete seasons; a place has "
            f"{int(held.min())}: load a longer history of weather"
        )
    return totals.mean("year").rename("mean_season_total")


def scaled_exposure(exposure: xr.DataArray, total: xr.DataArray) -> xr.DataArray:
    """Return exposure in units of the region's mean season.

    Parameters
    ----------
    exposure
        Daily exposure, before scaling: of the past, or of traces [d-1].
    total
        From `mean_season_total`, always of training years.

    Returns
    -------
    xarray.DataArray
        Exposure over total [d-1]. Where the mean total is nearly zero the season does not come
        there, and exposure is left as it is: dividing would make a season out of nothing.
    """
    divisor = total.where(total >= _table().number("scaling.least_total"), 1.0)
    scaled = (exposure / divisor).transpose(*exposure.dims)
    scaled.attrs = {**exposure.attrs, "scaling": "a mean season of the region sums to one"}
    return scaled.rename(exposure.name)


def weekly_exposure(exposure: xr.DataArray) -> xr.DataArray:
    """Return the sums over ISO weeks, time replaced by ``week`` (Mondays) [week-1].

    Incomplete weeks at either end are left out; a missing day makes its week missing.
    """
    summed = weekly(exposure, "sum")
    summed.attrs = {**exposure.attrs, "units": "week-1"}
    return summed


def _table() -> ParameterTable:
    return load_table("models", "exposure.toml")
