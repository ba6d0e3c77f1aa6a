r"""Families of development towards flowering: parameter sets, and the day on which each flowers.

Every family adds up a daily rate from a start on and flowers when the sum reaches a requirement:

.. math::
    T &= w T_x + (1 - w) T_n \\
    S_d &= \sum_{i = t_0}^{d} f(T_i)\, (L_i / 10)^p \\
    F &= F^* \exp[-c (C_{t_0} - \bar C_{t_0}) / 10]

with day length :math:`L` [h] and chill days :math:`C` by a triangular rate. They differ in

==================== =========================================================================
thermal time         :math:`f = \max(0, T - b)`
sigmoid forcing      :math:`f = 1 / (1 + e^{-a (T - c)})`
exponential forcing  :math:`f = e^{k \min(T, 30)}`
alternating          any :math:`f`, and :math:`c > 0`: a winter with much chill asks for less warmth
sequential           any :math:`f`, and :math:`t_0` is the day on which :math:`C` reaches a need
photothermal         any :math:`f`, and :math:`p > 0`: long days speed development
==================== =========================================================================

A set that is not fulfilled within the season has no day (NaN): the season never comes.

Validity: plants that flower between late winter and early summer. Known failures: winters far
warmer than any in training (the requirement is a statistical one); frost that kills buds; soils.

References
----------
Chuine I. 2000. Journal of Theoretical Biology 207:337-347 (chill, forcing, and a requirement that
falls with chill; form from memory). Sarvas, Hanninen: sigmoid forcing and triangular chilling, from
memory. Blumel K., Chmielewski F.-M. 2012. Agricultural and Forest Meteorology 164:10-19 (day length
over ten hours with an exponent; form from memory). Cannell M.G.R., Smith R.I. 1983. Journal of
Applied Ecology 20:951-963 (alternating). Linkosalo T., Lappalainen H.K., Hari P. 2008. Tree
Physiology 28:1873-1882 (simple thermal time beats complex models on independent data).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table

_Array = NDArray[np.float64]

FAMILIES = (
    "thermal time",
    "sigmoid forcing",
    "exponential forcing",
    "alternating",
    "sequential",
    "photothermal",
)
_THERMAL, _SIGMOID, _EXPONENTIAL, _ALTERNATING, _SEQUENTIAL, _PHOTOTHERMAL = range(6)

FIELDS = (
    "family",
    "rate",
    "daytime_share",
    "start",
    "base",
    "slope",
    "midpoint",
    "exponent",
    "photoperiod",
    "chill_effect",
    "chill_need",
    "mean_chill",
    "requirement",
)
_CHILL_UNIT = 10.0  # chill effects are stated for each ten days
_ROWS = 256  # seasons in one block: what they need stays in the processor's cache
_TINY = 1e-9


@dataclass(frozen=True)
class SeasonDays:
    """What drives development, one row a season, day 0 being the first day of the season.

    Attributes
    ----------
    tasmin, tasmax
        Daily extremes without missing values, dims (season, day) [degC].
    daylight
        Day length, same dims [h].
    chill
        Chill days gathered by the end of each day, same dims [d].
    """

    tasmin: _Array
    tasmax: _Array
    daylight: _Array
    chill: _Array

    @classmethod
    def of(cls, tasmin: _Array, tasmax: _Array, daylight: _Array) -> SeasonDays:
        """Gather the chill of seasons."""
        return cls(tasmin, tasmax, daylight, chill_days(tasmin, tasmax))

    def __len__(self) -> int:
        return len(self.tasmin)

    def rows(self, chosen: slice) -> SeasonDays:
        """Return some of the seasons."""
        return SeasonDays(
            self.tasmin[chosen], self.tasmax[chosen], self.daylight[chosen], self.chill[chosen]
        )


@dataclass(frozen=True)
class ParameterSets:
    """Parameter sets, one row a set, one column for each of `FIELDS`.

    A parameter that a set's family or rate does not use is zero. ``family`` and ``rate`` are
    positions in `FAMILIES` (a rate is one of the first three); ``requirement`` is the sum at which
    the flower opens, ``mean_chill`` the mean chill days at the start in training.
    """

    values: _Array

    def __len__(self) -> int:
        return len(self.values)

    def column(self, name: str) -> _Array:
        """Return one parameter of every set."""
        return np.asarray(self.values[:, FIELDS.index(name)])

    def replaced(self, **columns: _Array) -> ParameterSets:
        """Return a copy with some parameters changed."""
        values = self.values.copy()
        for name, column in columns.items():
            values[:, FIELDS.index(name)] = column
        return ParameterSets(values)


@dataclass(frozen=True)
class Run:
    """Running sums of one set: at each day's end, before the start, and the chill's scale."""

    rate: _Array
    cumulative: _Array
    before: _Array
    scale: _Array

    def day(self, requirement: float) -> _Array:
        """Return when each season fulfils a requirement [d]; NaN where it does not."""
        return crossing_day(self.cumulative, self.before + requirement * self.scale)


def flowering_days(sets: ParameterSets, days: SeasonDays) -> _Array:
    """Return the day on which each set flowers in each season.

    Parameters
    ----------
    sets
        With their requirements.
    days
        Seasons.

    Returns
    -------
    numpy.ndarray
        Dims (set, season); noon is the whole number [d]. NaN where the requirement is not met.
    """
    found = np.empty((len(sets), len(days)))
    requirement = sets.column("requirement")
    for first in range(0, len(days), _ROWS):
        block = slice(first, first + _ROWS)
        part = days.rows(block)
        for index in range(len(sets)):
            found[index, block] = running_sum(sets, index, part).day(float(requirement[index]))
    return found


def running_sum(sets: ParameterSets, index: int, days: SeasonDays) -> Run:
    """Return the running sums of one set."""
    one = dict(zip(FIELDS, sets.values[index], strict=True))
    temperature = one["daytime_share"] * days.tasmax + (1.0 - one["daytime_share"]) * days.tasmin
    rate = _rate(one, temperature)
    if one["photoperiod"] != 0:
        unit = load_table("models.season", "families.toml").number("day_length_unit")
        rate = rate * (days.daylight / unit) ** one["photoperiod"]
    cumulative = np.cumsum(rate, axis=1)
    if one["family"] == _SEQUENTIAL:
        earliest = int(load_table("models.season", "families.toml").number("earliest_release"))
        start = np.clip((days.chill < one["chill_need"]).sum(axis=1), earliest, rate.shape[1] - 1)
        before = cumulative[np.arange(len(rate)), start - 1]
        return Run(rate, cumulative, before, np.ones(len(rate)))
    start = int(one["start"])
    surplus = days.chill[:, start] - one["mean_chill"]
    scale = np.exp(-one["chill_effect"] * surplus / _CHILL_UNIT)
    return Run(rate, cumulative, cumulative[:, start - 1], scale)


def _rate(one: dict[str, float], temperature: _Array) -> _Array:
    if one["rate"] == _THERMAL:
        # never quite zero: a sum that stands still would have no single crossing
        return np.maximum(temperature - one["base"], _TINY)
    if one["rate"] == _SIGMOID:
        return np.asarray(1.0 / (1.0 + np.exp(-one["slope"] * (temperature - one["midpoint"]))))
    ceiling = load_table("models.season", "families.toml").number("ceiling")
    return np.asarray(np.exp(one["exponent"] * np.minimum(temperature, ceiling)))


def chill_days(tasmin: _Array, tasmax: _Array) -> _Array:
    """Return the chill days gathered by the end of each day, triangular rate, days last [d]."""
    table = load_table("models.season", "families.toml")
    lower, optimum, upper = (table.number(f"chill.{n}") for n in ("lower", "optimum", "upper"))
    mean = (tasmin + tasmax) / 2.0
    rising, falling = (mean - lower) / (optimum - lower), (upper - mean) / (upper - optimum)
    rate = np.clip(np.minimum(rising, falling), 0.0, None)
    return np.asarray(np.cumsum(rate, axis=-1))


def crossing_day(cumulative: _Array, threshold: _Array) -> _Array:
    """Return when a running sum crosses a threshold.

    Parameters
    ----------
    cumulative
        Running sum at the end of each day, never falling, dims (season, day).
    threshold
        One a season.

    Returns
    -------
    numpy.ndarray
        Day of the crossing, whole numbers at noon [d]; NaN where it is not reached.
    """
    n_days = cumulative.shape[1]
    at = (cumulative < threshold[:, None]).sum(axis=1)
    inside = np.minimum(at, n_days - 1)
    row = np.arange(len(cumulative))
    high = cumulative[row, inside]
    low = np.where(inside > 0, cumulative[row, np.maximum(inside - 1, 0)], 0.0)
    part = (threshold - low) / np.maximum(high - low, _TINY)
    return np.where(at < n_days, inside + part - 0.5, np.nan)
