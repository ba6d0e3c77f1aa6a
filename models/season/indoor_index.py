r"""House dust mites and fleas: weather indices of what lives with the dog, not in the air.

Neither is let loose by the day's wind and rain, so their exposure is the index itself
(`models.exposure`). Both answer to the weather of weeks ago, and never stop indoors:

.. math:: r = \frac{1}{N} \, [\epsilon + (1 - \epsilon) \, \overline{I}]

with :math:`\overline I` the index averaged over the days from ``lag_last`` to ``lag_first`` days
back, :math:`\epsilon` the floor that houses keep, and :math:`N` the yearly total where the table's
numbers were chosen.

*Absolute humidity* (mites): :math:`I` rises from 0 to 1 between two mixing ratios of the outdoor
air, :math:`w = 622\,e/(P - e)` at sea-level pressure. Mites live on the water of the air; air
brought indoors keeps its mixing ratio while it is heated.

*Flea development*: degree days between a base and an upper threshold, as share of the most a day
can give, times a ramp on relative humidity, in which larvae dry out or live.

Evidence is weaker than for pollen: houses differ more than weather does, the ramps are assumed, and
reviews warn to use a rule on absolute humidity with care. No dog's infestation is foretold: a flea
check comes before any index.

References
----------
Arlian L.G. 1992. Experimental and Applied Acarology 16:15-35 (mites gain water above 65 to 70 %).
Indoor Air 1996;6:249-258 (care with the absolute-humidity rule). Zur G. et al. 2002 (mite-reactive
dogs worst in autumn). Silverman J., Rust M.K. 1983. Environmental Entomology (flea larvae need
more than 50 %).
"""

from __future__ import annotations

import xarray as xr

from models.allergens import Allergen
from models.heat import degree_days_sine
from models.humidity import actual_vapour_pressure, mixing_ratio
from models.season.driver import filled_temperature
from models.season.weather_index import trailing_mean
from models.season.years import SeasonError


def mite_rate(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    """Return the share of a reference year on each day, for house dust mites.

    Parameters
    ----------
    weather
        ``tas`` [degC] and ``hurs`` [%] along time.
    allergen
        One of the absolute-humidity family.

    Returns
    -------
    xarray.DataArray
        Time last [d-1]. Never zero. NaN where too little of the days looked back on is known.

    Raises
    ------
    SeasonError
        If the weather lacks a variable.
    """
    tas, hurs = _read(weather, ("tas", "hurs"), allergen)
    ratio = mixing_ratio(actual_vapour_pressure(hurs, tas))
    index = _ramp(ratio, allergen.number("dry"), allergen.number("humid"))
    return _lagged_rate(index, allergen)


def flea_rate(weather: xr.Dataset, allergen: Allergen) -> xr.DataArray:
    """Return the share of a reference year on each day, for fleas.

    Parameters
    ----------
    weather
        ``tasmin``, ``tasmax`` [degC] and ``hurs`` [%] along time.
    allergen
        One of the flea-development family.

    Returns
    -------
    xarray.DataArray
        Time last [d-1]. Never zero. NaN where too little of the days looked back on is known.

    Raises
    ------
    SeasonError
        If the weather lacks a variable.
    """
    high, low, hurs = _read(weather, ("tasmax", "tasmin", "hurs"), allergen)
    base, upper = allergen.number("base"), allergen.number("upper")
    warmth = degree_days_sine(high, low, base=base, upper=upper) / (upper - base)
    moisture = _ramp(hurs, allergen.number("dry"), allergen.number("humid"))
    return _lagged_rate(warmth * moisture, allergen)


def _read(weather: xr.Dataset, names: tuple[str, ...], allergen: Allergen) -> list[xr.DataArray]:
    if "hurs" not in weather:
        raise SeasonError(
            f"the index of {allergen.name} needs hurs [%]; the weather holds "
            f"{', '.join(map(str, weather.data_vars))}"
        )
    return [filled_temperature(weather, name, allergen.name) for name in names]


def _lagged_rate(index: xr.DataArray, allergen: Allergen) -> xr.DataArray:
    first, last = int(allergen.number("lag_first")), int(allergen.number("lag_last"))
    mean = index.copy(data=trailing_mean(index.values, days=last - first + 1))
    floor = allergen.number("floor")
    rate = (floor + (1.0 - floor) * mean.shift(time=first)) / allergen.number("yearly_total")
    return rate.drop_attrs()


def _ramp(field: xr.DataArray, zero: float, one: float) -> xr.DataArray:
    """Return the linear ramp that is 0 at and below `zero` and 1 at and above `one`."""
    return ((field - zero) / (one - zero)).clip(0.0, 1.0)
