r"""Day-length family: weeds that flower as the days grow short.

Development towards flowering goes on with warmth, as far as the day is short enough:

.. math::
    \dot H &= R(T) \, P(L) \\
    R(T) &= \min\{1, \max[0, (T - T_b) / (T_o - T_b)]\} \\
    P(L) &= \min\{1, \max[0, (L_c - L) / (L_c - L_o)]\}

summed from the longest day on (half a year later in the south); a day of full warmth and short
light adds one *development day*. :math:`T_b, T_o` bound the warmth used, :math:`L_o` is the longest
day that does not slow the plant, at :math:`L_c` it stands still. Day length is from sunrise to
sunset as in almanacs (`models.daylength`). The sum drives the season as `models.season.fraction`
says.

Validity: ragweed's temperature range and its optimal day length are published; the linear shapes,
the critical day length and all sums are assumed. Because the day's length is the clock, years
differ little. Known failures: local races keep their own clock, so that one set of numbers dates a
weed of another latitude weeks wrong (European mugwort flowers in July and August under days that
stop this one); frost is not modelled, the window ends the season.

References
----------
Deen W., Hunt T., Swanton C.J. 1998. Influence of temperature, photoperiod, and irradiance on the
phenological development of common ragweed. Weed Science 46:555-560.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from models.allergens import Allergen
from models.daylength import day_length
from models.season.heat_sum import filled_temperature
from models.season.years import daily_axis


def daily_development(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    """Return the development that each day adds.

    Parameters
    ----------
    weather
        ``tas`` [degC] along time, with ``latitude``.
    allergen
        One of the day-length family.

    Returns
    -------
    xarray.DataArray
        0 to 1, time last [d]. Short gaps in temperature are filled, longer ones NaN.
    """
    tas = filled_temperature(weather, "tas", allergen)
    day_of_year = xr.DataArray(
        daily_axis(weather).day_of_year.to_numpy(float),
        dims="time",
        coords={"time": weather["time"]},
    )
    length = day_length(tas["latitude"].astype(float), day_of_year, sun_angle="refracted")
    warmth = ramp(tas, allergen.number("base"), allergen.number("optimum"))
    light = ramp(length, allergen.number("critical_day"), allergen.number("optimal_day"))
    return (warmth * light).transpose(*tas.dims)


def ramp(field: xr.DataArray, zero: float, one: float) -> xr.DataArray:
    """Return the linear ramp that is 0 at and beyond `zero` and 1 at and beyond `one`."""
    share = (field - zero) / (one - zero)
    return share.copy(data=np.clip(share.values, 0.0, 1.0))
