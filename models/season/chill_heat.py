r"""Chill-then-heat family: trees that flower at winter's end, cold first, then warmth.

The tree rests until it has had enough cold; only then does warmth count:

.. math::
    C_d &= \max(0,\; C_{d-1} + c_d), \qquad \dot H_d = h_d \text{ once } C \ge C^*
    \text{ on an earlier day}, \text{ else } 0

with :math:`c` the day's chilling and :math:`h` its warmth. The sum :math:`H` drives the season as
`models.season.fraction` says. The sum of chilling cannot fall below zero, so that a warm October
(negative Utah units) does not weigh on the winter after it.

What chills and what warms is part of a published requirement and named in the table. Chilling:
``hours below`` a threshold or ``Utah units``, both along a sine through the daily extremes
(`models.chill`). Warmth: as in `models.season.heat_sum`, or ``hours``, degree hours along the sine
(24 times the degree days).

Published requirements are those of one place, and trees of milder places ask for less cold (alder:
985 h below -0.25 degC in Poznan, 460 chilling hours in Vigo). Taken word for word elsewhere they
would leave a mild coast without any season. Therefore warmth counts from ``chill_days`` after the
start of the window at the latest, however little cold there was; that day is assumed.

Validity: the winters and places a requirement was fitted in. Known failures: two stages fitted on a
dozen dates are unstable (cypress in Ponferrada: 11, 0 and 43 days off in three test years);
chilling and warmth may work side by side in the tree; a frost late in the season stops nothing
here.

References
----------
Rodriguez-Rajo F.J. et al. 2009. Annals of Agricultural and Environmental Medicine 16:277-284
(alder). Frenguelli G. et al. 1992. Aerobiologia 8:415-418 (hazel). Fuertes-Rodriguez C.R. et al.
2007. Annals of Agricultural and Environmental Medicine 14:237-242 (cypress type).
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.chill import chilling_hours, utah_units_of_day
from models.heat import degree_days_sine
from models.season.heat_sum import daily_heat, filled_temperature
from models.season.years import SeasonError, SeasonWindow, daily_axis, hemispheres, season_windows

_Array = NDArray[np.float64]

_CHILL_METHODS = ("hours below", "Utah units")
_HOURS_IN_DAY = 24.0


def daily_forcing(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    """Return the warmth that each day adds to the heat sum once the tree has had its cold.

    Parameters
    ----------
    weather
        Daily ``tasmin`` and ``tasmax``, for some methods also ``tas`` [degC], along time, with
        ``latitude``.
    allergen
        One of the chill-then-heat family.

    Returns
    -------
    xarray.DataArray
        Degree days, or degree hours, time last [degC d or degC h]. Zero before the chilling is met
        and outside the allergen's window. NaN on a day whose chilling, where it still matters, or
        warmth is not known.

    Raises
    ------
    SeasonError
        If a method is unknown or the weather lacks a variable it needs.
    """
    days = daily_axis(weather)
    chill, heat = daily_chill(weather, allergen), _daily_warmth(weather, allergen)
    start, length = allergen.text("start"), int(allergen.number("window"))
    values = np.zeros(heat.shape)
    for southern, places in hemispheres(heat):
        for window in season_windows(days, start, length, southern=southern):
            held = slice(max(window.first, 0), window.stop)
            values[places, held] = _forced(
                chill.values[places, held], heat.values[places, held], allergen, window
            )
    return heat.copy(data=values)


def daily_chill(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    """Return the chilling of each day [h or 1], time last; arguments as for `daily_forcing`."""
    method = allergen.text("chill_method")
    if method not in _CHILL_METHODS:
        raise SeasonError(
            f"allergen {allergen.id!r} has the chill method {method!r}; allowed are "
            f"{', '.join(_CHILL_METHODS)}"
        )
    high, low = (filled_temperature(weather, name, allergen) for name in ("tasmax", "tasmin"))
    if method == "Utah units":
        return utah_units_of_day(high, low)
    return chilling_hours(high, low, threshold=allergen.number("chill_threshold"))


def _daily_warmth(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    if allergen.text("heat_method") != "hours":
        return daily_heat(weather, allergen)
    high, low = (filled_temperature(weather, name, allergen) for name in ("tasmax", "tasmin"))
    hours = _HOURS_IN_DAY * degree_days_sine(high, low, base=allergen.number("base"))
    return hours.assign_attrs(units="degC h")


def _forced(chill: _Array, heat: _Array, allergen: Allergen, window: SeasonWindow) -> _Array:
    """Return what the days of one window add, dims (place, day)."""
    total = np.cumsum(np.nan_to_num(chill), axis=-1)
    total -= np.minimum.accumulate(np.minimum(total, 0.0), axis=-1)
    met = np.logical_or.accumulate(total >= allergen.number("chill_sum"), axis=-1)
    ready = np.concatenate([np.zeros_like(met[:, :1]), met[:, :-1]], axis=-1)
    latest = window.first + int(allergen.number("chill_days")) - max(window.first, 0)
    ready[:, max(latest, 0) :] = True
    resting = np.where(np.isnan(chill), np.nan, 0.0)
    return np.where(ready, heat, resting)
