r"""Weather-index family: moulds, whose season follows the warmth of the weeks behind.

A mould has no flower that opens: spores come while its substrate is warm. The daily rate is

.. math::
    r = \frac{1}{N} \, \frac{1}{1 + \exp[-(\bar T - T_m) / s]}

with :math:`\bar T` the mean temperature of the last weeks, and :math:`N` the yearly total of the
index where the table's numbers were chosen, so that a year sums to about one there. Dryness and
wind act through release, not here.

Evidence is weaker than for pollen: signs of rain, humidity and wind differ between published sites,
and every number of this family is assumed. Where training years exist, exposure is scaled to the
region's own mean season anyway; elsewhere a yearly total away from one only says that the place is
warmer or cooler.

References
----------
Grinn-Gofron A. and others show temperature as the leading correlate of Alternaria spores in most
places (general knowledge, from memory); Valladolid 2009 agrees, Stockholm 1980-89 finds rain and
wind instead.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.season.driver import filled_temperature

_Array = NDArray[np.float64]


def index_rate(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    """Return the fraction of a reference year's season on each day.

    Parameters
    ----------
    weather
        ``tas`` [degC] along time.
    allergen
        One of the weather-index family.

    Returns
    -------
    xarray.DataArray
        Time last [d-1]. In the first weeks the mean is that of the days held so far. NaN where the
        day itself or more than half of the weeks behind it is missing.
    """
    tas = filled_temperature(weather, "tas", allergen.name)
    mean = trailing_mean(tas.values, days=int(allergen.number("memory")))
    steepness = (mean - allergen.number("middle")) / allergen.number("steepness")
    index = 1.0 / (1.0 + np.exp(-steepness))
    return tas.copy(data=index / allergen.number("yearly_total"))


def trailing_mean(values: _Array, *, days: int) -> _Array:
    """Return the mean of each day and those before it, up to `days`; time last.

    NaN where the day itself is missing, or more than half of the days looked back on.
    """
    known = ~np.isnan(values)
    total = _trailing_sum(np.where(known, values, 0.0), days)
    count = _trailing_sum(known.astype(float), days)
    held = np.minimum(np.arange(1, values.shape[-1] + 1), days)
    enough = known & (count * 2 >= held)
    return np.where(enough, total / np.maximum(count, 1.0), np.nan)


def _trailing_sum(values: _Array, days: int) -> _Array:
    running = np.cumsum(values, axis=-1)
    running[..., days:] -= running[..., :-days].copy()
    return running
