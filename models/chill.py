"""Chilling: how much of the cold that ends a tree's winter rest was had.

Trees that flower early need cold before warmth counts. The old measures count hours: below a
threshold (*chilling hours*), or weighted by how useful the temperature is (*Utah chill units*).
The *dynamic model* lets warmth undo what cold began until a portion is complete and kept.

Weather of a practice is daily. Hours below a threshold and Utah units are therefore also given from
the daily extremes, with the temperature of a day taken to swing as a sine between them, as
:func:`models.heat.degree_days_sine` does for warmth. A published requirement only holds with the
measure it was fitted with.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from models import kernels
from models.errors import ForepawError
from models.fields import Field, FieldT, apply_kernel, require_unit
from models.parameters import load_table

_Array = NDArray[np.float64]

_TABLE = load_table("models", "chill.toml")


class ChillError(ForepawError):
    """Temperatures from which no chilling can be worked out."""


def chilling_hours(tasmax: FieldT, tasmin: FieldT, *, threshold: Field) -> FieldT:
    r"""Hours of each day below a threshold, from the daily extremes.

    Parameters
    ----------
    tasmax, tasmin
        Daily maximum and minimum air temperature, any dims [degC].
    threshold
        Temperature below which an hour chills [degC]; a field is broadcast.

    Returns
    -------
    float, numpy array or DataArray
        Hours, 0 to 24 [h]. NaN where an input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is not in degC.

    Notes
    -----
    With :math:`m = (T_x + T_n)/2` and :math:`a = |T_x - T_n|/2` a sine of the day lies below
    :math:`c` for

    .. math:: h = 24 \left\{\frac12 + \frac1\pi \arcsin\left[\frac{c - m}{a}\right]\right\}

    hours, the bracket held within -1 and 1. A day without swing is all below or all above. True
    days are longer cold than warm in winter, so hours come out a little low then.
    """
    _require_celsius(tasmax=tasmax, tasmin=tasmin)
    result: FieldT = apply_kernel(
        kernels.hours_below,
        tasmax,
        tasmin,
        threshold,
        name="chilling_hours",
        attrs={"units": "h", "long_name": "hours below a threshold"},
    )
    return result


def utah_units_of_day(tasmax: FieldT, tasmin: FieldT) -> FieldT:
    r"""Utah chill units of each day, from the daily extremes.

    Parameters
    ----------
    tasmax, tasmin
        Daily maximum and minimum air temperature, any dims [degC].

    Returns
    -------
    float, numpy array or DataArray
        Chill units, -24 to 24 [1]. NaN where an input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is not in degC.

    Notes
    -----
    The units of :func:`utah_units`, integrated exactly along the sine of the day: the sum over the
    classes of unit times hours within, hours as in :func:`chilling_hours`.

    References
    ----------
    Richardson E.A., Seeley S.D., Walker D.R. 1974. HortScience 9:331-332.
    """
    _require_celsius(tasmax=tasmax, tasmin=tasmin)
    result: FieldT = apply_kernel(
        _utah_of_day,
        tasmax,
        tasmin,
        name="utah_chill_units",
        attrs={"units": "1", "long_name": "Utah chill units"},
    )
    return result


def utah_units(tas: FieldT, *, positive_only: bool = False) -> FieldT:
    """Utah chill units of each hour, from hourly temperature.

    Parameters
    ----------
    tas
        Hourly air temperature, any dims [degC].
    positive_only
        Count hours that undo chilling as none (the positive Utah model).

    Returns
    -------
    float, numpy array or DataArray
        Chill units of each hour, -1 to 1 [1]. NaN where the input is NaN.

    Raises
    ------
    FieldError
        If a DataArray says that it is not in degC.

    References
    ----------
    Richardson E.A., Seeley S.D., Walker D.R. 1974. HortScience 9:331-332. Positive variant:
    Linsley-Noakes G.C., Allan P. 1994. Scientia Horticulturae 56:63-75 (pages from memory).
    """
    _require_celsius(tas=tas)
    result: FieldT = apply_kernel(
        partial(_utah_of_hour, positive_only=positive_only),
        tas,
        name="utah_chill_units",
        attrs={"units": "1", "long_name": "Utah chill units"},
    )
    return result


def chill_portions(tas: NDArray[np.float64]) -> NDArray[np.float64]:
    r"""Chill portions of the dynamic model completed in each hour, from hourly temperature.

    Parameters
    ----------
    tas
        Hourly air temperature, hours last, without a gap [degC].

    Returns
    -------
    numpy.ndarray
        Portions added by each hour, same shape [1]. Their sum from the start of chilling is what
        requirements are given in.

    Raises
    ------
    ChillError
        If a temperature is missing: the model keeps a state, which is not known past a gap.

    Notes
    -----
    With :math:`K` the absolute temperature and :math:`E` the intermediate product,

    .. math::
        x_s &= (A_0 / A_1) \exp[(E_1 - E_0) / K], \quad k_1 = A_1 \exp(-E_1 / K) \\
        s &= \exp[\sigma T_f (K - T_f) / K], \quad \xi = s / (1 + s) \\
        E_t &= x_s - (x_s - S_t) \exp(-k_1), \qquad
        S_t = E_{t-1} \text{ or } E_{t-1} (1 - \xi_{t-1}) \text{ where } E_{t-1} \ge 1,

    and an hour with :math:`E_t \ge 1` adds :math:`\xi_t E_t`. As implementations do, the
    first hour only sets the start, :math:`E = 0`.

    References
    ----------
    Fishman S., Erez A., Couvillon G.A. 1987. The temperature dependence of dormancy breaking in
    plants. Journal of Theoretical Biology 124:473-483. Erez A. et al. 1990. Acta Horticulturae
    276:165-174. Constants as commonly implemented.
    """
    tas = np.asarray(tas, dtype=np.float64)
    if np.isnan(tas).any():
        raise ChillError(
            f"chill portions need every hour, {int(np.isnan(tas).sum())} of {tas.size} "
            "temperatures are missing; fill short gaps first"
        )
    supply, kept, released = _dynamic_rates(tas)
    added = np.zeros_like(tas)
    state = np.zeros(tas.shape[:-1])
    for hour in range(1, tas.shape[-1]):
        product = supply[..., hour] - (supply[..., hour] - state) * kept[..., hour]
        added[..., hour] = np.where(product >= 1.0, product * released[..., hour], 0.0)
        state = product - added[..., hour]
    return added


def _dynamic_rates(tas: _Array) -> tuple[_Array, _Array, _Array]:
    """Return x_s, exp(-k1) and xi of each hour."""
    number = {name: p.number for name, p in _TABLE.group("dynamic").items()}
    kelvin = tas + number["zero_celsius"]
    formation, destruction = number["activation_formation"], number["activation_destruction"]
    ratio = number["rate_formation"] / number["rate_destruction"]
    supply = ratio * np.exp((destruction - formation) / kelvin)
    kept = np.exp(-number["rate_destruction"] * np.exp(-destruction / kelvin))
    transition = number["transition"]
    exponent = number["slope"] * transition * (kelvin - transition) / kelvin
    return supply, kept, 1.0 / (1.0 + np.exp(-exponent))


def _require_celsius(**temperatures: Field) -> None:
    for what, field in temperatures.items():
        require_unit(field, "degC", what)


def _utah_of_day(high: _Array, low: _Array) -> _Array:
    limits, units = utah_classes()
    return kernels.utah_units_of_extremes(high, low, limits=limits, units=units)


def _utah_of_hour(temperature: _Array, *, positive_only: bool) -> _Array:
    limits, units = utah_classes()
    if positive_only:
        units = np.maximum(units, 0.0)
    # the limit itself belongs to the class that it ends
    found = units[np.searchsorted(limits, temperature, side="left").clip(max=len(limits))]
    return np.where(np.isnan(temperature), np.nan, found)


def utah_classes() -> tuple[_Array, _Array]:
    """Return the upper ends of the Utah classes [degC] and the units of each class [h-1]."""
    limits, units = (_TABLE[f"utah.{name}"].value for name in ("limits", "units"))
    return np.asarray(limits, dtype=float), np.asarray(units, dtype=float)
