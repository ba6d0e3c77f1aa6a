"""Solar radiation of a day from its hours of sunshine.

Many weather stations record sunshine and few record radiation. The Angstrom-Prescott relation as
FAO-56 states it fills that gap: the radiation at the top of the atmosphere is astronomy, and the
share that reaches the ground rises with the share of the possible sunshine that was seen.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from xarray.ufuncs import arccos, cos, deg2rad, sin, tan

from models.errors import ForepawError
from models.parameters import load_table

_TABLE = load_table("models", "radiation.toml")
_HOURS_IN_DAY = 24.0
_MINUTES_IN_DAY = 1440.0
_WATTS_PER_MEGAJOULE_A_DAY = 1e6 / 86400.0


class RadiationError(ForepawError):
    """Sunshine, latitude or dates from which no radiation can be computed."""


def extraterrestrial_radiation(latitude: xr.DataArray, time: xr.DataArray) -> xr.DataArray:
    r"""Radiation on a horizontal plane at the top of the atmosphere, mean of the day.

    Parameters
    ----------
    latitude
        Latitude, north positive, any dims [degrees_north].
    time
        Days as datetime64, any dims.

    Returns
    -------
    xarray.DataArray
        Radiation, dims of both arguments [W m-2]. Zero in the polar night.

    Raises
    ------
    RadiationError
        If a latitude lies outside -90 to 90 or ``time`` holds no dates.

    Notes
    -----
    .. math:: R_a = \frac{1440}{\pi} G_{sc} d_r (\omega_s \sin\varphi \sin\delta
              + \cos\varphi \cos\delta \sin\omega_s)

    FAO-56 eq. 21, in its unit MJ m-2 day-1; the day's mean flux is that over 0.0864. The paper's
    one-term declination is up to 1.5 degrees off in October, which costs up to 10 W m-2 at 35 to
    50 degrees of latitude; its approximations get worse poleward of 55 degrees.

    References
    ----------
    Allen, R. G., Pereira, L. S., Raes, D. and Smith, M. (1998). Crop evapotranspiration. FAO
    Irrigation and Drainage Paper 56, eqs. 21-25.
    """
    latitude_angle, declination, sunset = _sun(latitude, time)
    constant = _TABLE.number("extraterrestrial.solar_constant")
    height = sunset * sin(latitude_angle) * sin(declination)
    height = height + cos(latitude_angle) * cos(declination) * sin(sunset)
    per_day = _MINUTES_IN_DAY / np.pi * constant * _inverse_distance(time) * height
    radiation: xr.DataArray = (per_day * _WATTS_PER_MEGAJOULE_A_DAY).clip(min=0.0)
    return radiation.assign_attrs(
        units="W m-2", standard_name="toa_incoming_shortwave_flux", cell_methods="time: mean"
    )


def possible_sunshine(latitude: xr.DataArray, time: xr.DataArray) -> xr.DataArray:
    r"""Longest sunshine a day can have: the sun's centre above a flat horizon.

    Parameters
    ----------
    latitude
        Latitude, north positive, any dims [degrees_north].
    time
        Days as datetime64, any dims.

    Returns
    -------
    xarray.DataArray
        Hours, dims of both arguments, 0 to 24 [h].

    Raises
    ------
    RadiationError
        If a latitude lies outside -90 to 90 or ``time`` holds no dates.

    Notes
    -----
    .. math:: N = \frac{24}{\pi} \omega_s, \qquad
              \omega_s = \arccos(-\tan\varphi \tan\delta)

    FAO-56 eqs. 34 and 25. Made to pair with eq. 35; for photoperiod use the day length, which
    counts refraction and twilight.

    References
    ----------
    Allen, R. G., Pereira, L. S., Raes, D. and Smith, M. (1998). Crop evapotranspiration. FAO
    Irrigation and Drainage Paper 56, eqs. 25 and 34.
    """
    _, _, sunset = _sun(latitude, time)
    return (_HOURS_IN_DAY / np.pi * sunset).assign_attrs(
        units="h", long_name="longest possible sunshine of the day"
    )


def radiation_from_sunshine(sunshine: xr.DataArray, latitude: xr.DataArray) -> xr.DataArray:
    r"""Solar radiation at the ground from the hours of sunshine, mean of the day.

    Parameters
    ----------
    sunshine
        Recorded bright sunshine, dims with ``time``; missing days stay missing [h].
    latitude
        Latitude, north positive [degrees_north].

    Returns
    -------
    xarray.DataArray
        Radiation, dims of ``sunshine`` and ``latitude`` [W m-2].

    Raises
    ------
    RadiationError
        If sunshine has no ``time``, or lies outside 0 to 24 hours.

    Notes
    -----
    .. math:: R_s = (a_s + b_s \, n / N) R_a

    FAO-56 eq. 35 with the paper's uncalibrated coefficients (``radiation.toml``). A recorder sees
    the refracted sun a few minutes longer than ``N`` counts it, so n/N is capped at one.

    References
    ----------
    Allen, R. G., Pereira, L. S., Raes, D. and Smith, M. (1998). Crop evapotranspiration. FAO
    Irrigation and Drainage Paper 56, eq. 35.
    """
    _check_sunshine(sunshine)
    longest = possible_sunshine(latitude, sunshine["time"])
    seen = (sunshine / longest.where(longest > 0)).where(longest > 0, 0.0).clip(max=1.0)
    share = (
        _TABLE.number("angstrom_prescott.overcast_share")
        + _TABLE.number("angstrom_prescott.sunshine_share") * seen
    )
    radiation = share * extraterrestrial_radiation(latitude, sunshine["time"])
    dims = [*sunshine.dims, *(dim for dim in radiation.dims if dim not in sunshine.dims)]
    return (
        radiation.where(sunshine.notnull())
        .transpose(*dims)
        .rename("rsds")
        .assign_attrs(
            units="W m-2",
            standard_name="surface_downwelling_shortwave_flux_in_air",
            cell_methods="time: mean",
        )
    )


def _sun(
    latitude: xr.DataArray, time: xr.DataArray
) -> tuple[xr.DataArray, xr.DataArray, xr.DataArray]:
    """Return latitude, solar declination and sunset hour angle in radians (eqs. 24, 25)."""
    if bool((abs(latitude) > 90).any()):
        raise RadiationError(
            f"latitude must lie within -90 to 90 degrees_north; the largest found is "
            f"{float(abs(latitude).max()):g}; check whether latitude and longitude were swapped"
        )
    latitude_angle = deg2rad(latitude)
    declination = _TABLE.number("extraterrestrial.declination_amplitude") * sin(
        _year_angle(time) - _TABLE.number("extraterrestrial.declination_phase")
    )
    # Beyond the polar circles the product passes one: the sun never sets, or never rises.
    cosine = (-tan(latitude_angle) * tan(declination)).clip(-1.0, 1.0)
    return latitude_angle, declination, arccos(cosine)


def _inverse_distance(time: xr.DataArray) -> xr.DataArray:
    """Return the inverse relative distance of earth and sun (eq. 23)."""
    amplitude = _TABLE.number("extraterrestrial.distance_amplitude")
    distance: xr.DataArray = 1.0 + amplitude * cos(_year_angle(time))
    return distance


def _year_angle(time: xr.DataArray) -> xr.DataArray:
    if not np.issubdtype(time.dtype, np.datetime64):
        raise RadiationError(f"days must be datetime64; found {time.dtype}; decode the time first")
    day_of_year = time.dt.dayofyear
    return 2.0 * np.pi * day_of_year / _TABLE.number("extraterrestrial.days_in_year")


def _check_sunshine(sunshine: xr.DataArray) -> None:
    if "time" not in sunshine.coords:
        raise RadiationError(
            "sunshine needs a time coordinate to know the height of the sun; found "
            f"{', '.join(map(str, sunshine.coords)) or 'none'}"
        )
    wrong = (sunshine < 0) | (sunshine > _HOURS_IN_DAY)
    if bool(wrong.any()):
        value = float(sunshine.where(wrong).max())
        raise RadiationError(
            f"sunshine must be hours within 0 to 24; {int(wrong.sum())} values are outside, "
            f"for instance {value:g}; mark sentinels as missing before the call"
        )
