r"""Warmth that lasts: how much of an unusual warmth of recent weeks is still there later on.

A departure :math:`A` of the mean temperature of the weeks before a day from the usual foretells

.. math:: \Delta T(l) = \rho\, e^{-l / L} A

on the day :math:`l` days on. The share :math:`\rho` is that of least squares over all places and
years that are known, drawn towards none as if some more years had shown none, and never below it.
It is learnt for each day of the year on its own: in late winter more lasts than in spring.

Known failure: the time :math:`L` is one for all places and all times of the year.

References
----------
Wilks D.S. 2011. Statistical Methods in the Atmospheric Sciences, ch. 9 (persistence of anomalies).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table

_Array = NDArray[np.float64]

_TINY = 1e-9


def days_before() -> int:
    """Return over how many days before a day its recent warmth is taken [d]."""
    return int(load_table("models", "traces.toml").number("lasting.recent_days"))


def days_ahead() -> int:
    """Return over how many days from a day on what lasts is learnt [d]."""
    return int(2 * load_table("models", "traces.toml").number("lasting.fades"))


def fading(lead: NDArray[np.int64]) -> _Array:
    """Return the pattern of fading over days, one at lead 0, zero before it [1]."""
    fades = load_table("models", "traces.toml").number("lasting.fades")
    return np.asarray(np.where(lead >= 0, np.exp(-np.maximum(lead, 0) / fades), 0.0))


def departure_ahead(level: _Array) -> _Array:
    """Return how much of the pattern of fading the days from a day on hold, dims (..., day) [K]."""
    pattern = fading(np.arange(level.shape[-1]))
    return np.asarray(level @ pattern / (pattern**2).sum())


def lasting_share(recent: _Array, ahead: _Array) -> float:
    r"""Return the share :math:`\rho` that is still there on the first day.

    Parameters
    ----------
    recent
        Mean temperature before the day, dims (place, year); NaN where not known [degC].
    ahead
        What the days from it on hold of the pattern (`departure_ahead`), same dims [degC].

    Returns
    -------
    float
        Between zero and about one; zero where too few years are known [1].
    """
    table = load_table("models", "traces.toml")
    known = ~np.isnan(recent) & ~np.isnan(ahead)
    n_years = int(known.any(axis=0).sum())
    if n_years < table.number("lasting.least_years"):
        return 0.0
    one, other = (_departures(np.where(known, a, np.nan)) for a in (recent, ahead))
    share = max(float((one * other).sum() / max((one**2).sum(), _TINY)), 0.0)
    return share * n_years / (n_years + table.number("lasting.doubt_years"))


def _departures(values: _Array) -> _Array:
    """Return departures from each place's mean over years; zero where not known."""
    held = ~np.isnan(values)
    usual = np.nansum(values, axis=1) / np.maximum(held.sum(axis=1), 1)
    return np.where(held, values - usual[:, None], 0.0)
