"""Degree days: how much development-driving warmth a day brought.

All functions take daily extremes (or the daily mean) [degC] as numbers, numpy arrays or DataArrays,
and give degree days of each day [degC d]. Summing them over a season is not done here.

Which one to use: none is uniformly best against hourly sums. A published heat requirement only
holds with the method it was fitted by.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models import kernels
from models.errors import ForepawError
from models.fields import Field, FieldT, apply_kernel, require_unit

CutOff = Literal["horizontal", "intermediate", "vertical"]

_Array = NDArray[np.float64]

_CUTOFFS = {
    "horizontal": kernels.HORIZONTAL,
    "intermediate": kernels.INTERMEDIATE,
    "vertical": kernels.VERTICAL,
}


class DegreeDayError(ForepawError):
    """Thresholds or a cut-off that cannot be used."""


def degree_days_mean(tas: FieldT, *, base: Field, upper: Field | None = None) -> FieldT:
    r"""Degree days from the daily mean temperature alone.

    Parameters
    ----------
    tas
        Daily mean air temperature, any dims [degC].
    base
        Temperature below which nothing develops [degC]. May be a field, such as one base an
        allergen; its dims are broadcast.
    upper
        Temperature above which more warmth brings no more development [degC]; None for no limit.

    Returns
    -------
    float, numpy array or DataArray
        Degree days of each day [degC d]. NaN where an input is NaN.

    Raises
    ------
    DegreeDayError
        If an upper threshold does not lie above its base.
    FieldError
        If a DataArray says that it is not in degC.

    Notes
    -----
    :math:`D = \max(0, \min(T, u) - b)`.
    """
    result: FieldT = _degree_days(kernels.degree_days_of_mean, {"tas": tas}, base, upper)
    return result


def degree_days_average(
    tasmax: FieldT, tasmin: FieldT, *, base: Field, upper: Field | None = None
) -> FieldT:
    r"""Degree days by the simple average of the daily extremes (McMaster & Wilhelm, method 1).

    The mean of the day is compared with the base, so a cold night cancels a warm afternoon.

    Parameters
    ----------
    tasmax, tasmin
        Daily maximum and minimum air temperature, any dims [degC].
    base
        Temperature below which nothing develops [degC]; a field is broadcast.
    upper
        Extremes above it count as it [degC]; None for no limit.

    Returns
    -------
    float, numpy array or DataArray
        Degree days of each day [degC d]. NaN where an input is NaN.

    Raises
    ------
    DegreeDayError
        If an upper threshold does not lie above its base.
    FieldError
        If a DataArray says that it is not in degC.

    Notes
    -----
    :math:`D = \max\{0, [\min(T_x, u) + \min(T_n, u)] / 2 - b\}`. Never more than
    :func:`degree_days_truncated`; the two differ only on days with :math:`T_n < b`.

    References
    ----------
    McMaster G.S., Wilhelm W.W. 1997. Growing degree-days: one equation, two interpretations.
    Agricultural and Forest Meteorology 87:291-300, method 1.
    """
    result: FieldT = _degree_days(
        kernels.degree_days_of_average, {"tasmax": tasmax, "tasmin": tasmin}, base, upper
    )
    return result


def degree_days_truncated(
    tasmax: FieldT, tasmin: FieldT, *, base: Field, upper: Field | None = None
) -> FieldT:
    r"""Degree days by the average of truncated extremes (McMaster & Wilhelm, method 2).

    Each extreme is brought within base and upper threshold before the two are averaged. With base
    50 and upper threshold 86 degrees Fahrenheit (10 and 30 degC) these are the "86/50" degree days
    of maize growers.

    Parameters
    ----------
    tasmax, tasmin
        Daily maximum and minimum air temperature, any dims [degC].
    base
        Lower limit of both extremes [degC]; a field is broadcast.
    upper
        Upper limit of both extremes [degC]; None for no limit.

    Returns
    -------
    float, numpy array or DataArray
        Degree days of each day [degC d]. NaN where an input is NaN.

    Raises
    ------
    DegreeDayError
        If an upper threshold does not lie above its base.
    FieldError
        If a DataArray says that it is not in degC.

    Notes
    -----
    :math:`D = [c(T_x) + c(T_n)] / 2 - b` with :math:`c(T) = \min[\max(T, b), u]`.

    References
    ----------
    McMaster G.S., Wilhelm W.W. 1997. Growing degree-days: one equation, two interpretations.
    Agricultural and Forest Meteorology 87:291-300, method 2.
    """
    result: FieldT = _degree_days(
        kernels.degree_days_of_truncated, {"tasmax": tasmax, "tasmin": tasmin}, base, upper
    )
    return result


def degree_days_sine(
    tasmax: FieldT,
    tasmin: FieldT,
    *,
    base: Field,
    upper: Field | None = None,
    cutoff: CutOff = "horizontal",
) -> FieldT:
    r"""Degree days by a single sine through the daily extremes.

    The temperature of the day is taken to swing as a sine wave, so the warm hours of a day whose
    mean is below the base still count.

    Parameters
    ----------
    tasmax, tasmin
        Daily maximum and minimum air temperature, any dims [degC].
    base
        Temperature below which nothing develops [degC]; a field is broadcast.
    upper
        Upper threshold [degC]; None for no limit.
    cutoff
        What happens above the upper threshold: ``horizontal``, development stays at its rate
        there; ``intermediate``, it falls as fast as it rose; ``vertical``, it stops.

    Returns
    -------
    float, numpy array or DataArray
        Degree days of each day [degC d], never below zero. NaN where an input is NaN.

    Raises
    ------
    DegreeDayError
        If an upper threshold does not lie above its base, or the cut-off is unknown.
    FieldError
        If a DataArray says that it is not in degC.

    Notes
    -----
    With :math:`m = (T_x + T_n)/2`, :math:`a = (T_x - T_n)/2` and
    :math:`\vartheta = \arcsin[(c - m)/a]` held within :math:`\pm\pi/2`, the degree days above a
    threshold :math:`c` are

    .. math:: E(c) = \frac{(m - c)(\pi/2 - \vartheta) + a \cos\vartheta}{\pi}

    Horizontal: :math:`E(b) - E(u)`. Intermediate: :math:`E(b) - 2 E(u)`. Vertical:
    :math:`E(b) - E(u) - (u - b)(\pi/2 - \vartheta_u)/\pi`. The wave is the same when maximum and
    minimum are exchanged, so a day on which they are the wrong way round (two sources joined) is
    read as if they were not; to find such days is for whoever takes weather in.

    References
    ----------
    Baskerville G.L., Emin P. 1969. Rapid estimation of heat accumulation from maximum and minimum
    temperatures. Ecology 50:514-517. Intermediate and vertical cut-off as commonly implemented.
    """
    if cutoff not in _CUTOFFS:
        raise DegreeDayError(f"the cut-off must be one of {', '.join(_CUTOFFS)}, got {cutoff!r}")
    code = _CUTOFFS[cutoff]

    def kernel(high: _Array, low: _Array, base: _Array, upper: _Array) -> _Array:
        return np.asarray(kernels.degree_days_of_sine(high, low, base, upper, code))

    result: FieldT = _degree_days(kernel, {"tasmax": tasmax, "tasmin": tasmin}, base, upper)
    return result


def _degree_days(
    kernel: Callable[..., _Array],
    temperatures: Mapping[str, Field],
    base: Field,
    upper: Field | None,
) -> Any:
    for what, field in temperatures.items():
        require_unit(field, "degC", what)

    def checked(*arguments: _Array) -> _Array:
        _require_upper_above_base(arguments[-2], arguments[-1])
        return kernel(*arguments)

    return apply_kernel(
        checked,
        *temperatures.values(),
        base,
        np.inf if upper is None else upper,
        name="degree_days",
        attrs=_attrs(next(iter(temperatures.values()))),
    )


def _attrs(first: Field) -> dict[str, Any]:
    """Attributes of the result: what the input says of its origin, and what the result is."""
    origin = first.attrs if isinstance(first, xr.DataArray) else {}
    return {
        **origin,
        "standard_name": "integral_wrt_time_of_air_temperature_excess",
        "long_name": "degree days",
        "units": "degC d",
        "cell_methods": "time: sum",
    }


def _require_upper_above_base(base: _Array, upper: _Array) -> None:
    wrong = np.asarray(upper <= base)
    if np.any(wrong):
        where = np.unravel_index(int(np.argmax(wrong)), wrong.shape)
        low, high = np.broadcast_arrays(base, upper)
        raise DegreeDayError(
            f"the upper threshold must lie above the base; got base {float(low[where]):g} and "
            f"upper threshold {float(high[where]):g} degC"
        )
