r"""Heat-sum family: trees and grasses whose season follows the warmth of spring.

.. math:: \dot H = \max(T - b, 0)

summed from a fixed start day; the sum drives the season as `models.season.fraction` says. What
counts as the warmth of a day is part of the published requirement, and is named in the table:
``mean`` (daily mean over a base), ``sine`` (single sine through the extremes) or ``maximum``
(daily maximum over a base).

Validity: the requirement is that of the region and method it was fitted with. Most onset sums in
the table are assumed, chosen so that Korean seasons come out at believable dates. Known failures:
chilling is left out, so after a very warm winter trees that need it are dated too early; several
kinds in one group (grasses) have several onsets, drawn here as one wide one.

References
----------
Sofiev M. et al. 2013. International Journal of Biometeorology 57:45-58.
Garcia-Mozo H. et al. 2000. Grana 39:194-199 (oak, single sine).
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.gaps import fill_short_gaps
from models.heat import degree_days_mean, degree_days_sine
from models.parameters import load_table
from models.season.years import SeasonError

_INPUTS = {"mean": ("tas",), "sine": ("tasmax", "tasmin"), "maximum": ("tasmax",)}


def daily_heat(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    """Return the warmth that each day adds to the heat sum.

    Parameters
    ----------
    weather
        Daily weather; which variables are read depends on the allergen's ``heat_method``.
    allergen
        One of the heat-sum family.

    Returns
    -------
    xarray.DataArray
        Degree days, time last [degC d]. Short gaps in temperature are filled, longer ones NaN.

    Raises
    ------
    SeasonError
        If the method is unknown or the weather lacks a variable it needs.
    """
    method, base = allergen.text("heat_method"), allergen.number("base")
    if method not in _INPUTS:
        raise SeasonError(
            f"allergen {allergen.id!r} has the heat method {method!r}; allowed are "
            f"{', '.join(_INPUTS)}"
        )
    fields = [filled_temperature(weather, name, allergen) for name in _INPUTS[method]]
    if method == "sine":
        return degree_days_sine(*fields, base=base)
    return degree_days_mean(fields[0], base=base)


def filled_temperature(weather: xr.Dataset, name: str, allergen: Allergen) -> xr.DataArray:
    """Return a temperature with time last and its short gaps interpolated [degC].

    Raises
    ------
    SeasonError
        If the weather lacks it.
    """
    if name not in weather:
        raise SeasonError(
            f"the season of {allergen.name} needs {name} [degC]; the weather holds "
            f"{', '.join(map(str, weather.data_vars))}"
        )
    field = weather[name].transpose(..., "time")
    longest = int(load_table("models.season", "season.toml").number("gap_days"))
    values: NDArray[np.float64] = field.values.astype(float)
    return field.copy(data=fill_short_gaps(values, longest=longest))
