r"""Families of development towards flowering: parameter sets, and the day on which each flowers.

Every family adds up a daily rate from a start on and flowers when the sum reaches a requirement:

.. math::
    T &= w T_x + (1 - w) T_n \\
    S_d &= \sum_{i = t_0}^{d} f(T_i)\, (L_i / 10)^p \\
    F &= F^* \exp[-c (C_{t_0} - \bar C_{t_0}) / 10]

with day length :math:`L` [h] and chill days :math:`C` by a triangular rate. They differ in

==================== =======================================================================
thermal time         :math:`f = \max(0, T - b)`
sigmoid forcing      :math:`f = 1 / (1 + e^{-a (T - c)})`
exponential forcing  :math:`f = e^{k \min(T, 30)}`
alternating          any :math:`f`, and :math:`c > 0`: much chill lowers the need of warmth
sequential           any :math:`f`, and :math:`t_0` is the day on which :math:`C` meets a need
photothermal         any :math:`f`, and :math:`p > 0`: long days speed development
short-day            any :math:`f`, and :math:`p < 0`: development waits for shorter days
==================== =======================================================================

The last one and the first three serve plants of late summer and autumn, all but the last those of
spring. A set that is not fulfilled within the season has no day (NaN): the season never comes.

Validity: plants that flower once a year, by warmth, chill and day length. Known failures: winters
far warmer than any in training (the requirement is a statistical one); frost that kills buds.

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

from models.flowering_kernels import (
    FAMILY_SEQUENTIAL,
    RATE_EXPONENTIAL,
    RATE_SIGMOID,
    RATE_THERMAL,
    FloweringPlan,
    SeasonRows,
    development_at,
    flowering_of_traces,
    gathered_chill,
)
from models.parameters import load_table

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]

FAMILIES = (
    "thermal time",
    "sigmoid forcing",
    "exponential forcing",
    "alternating",
    "sequential",
    "photothermal",
    "short-day",
)
THERMAL, SIGMOID, EXPONENTIAL = RATE_THERMAL, RATE_SIGMOID, RATE_EXPONENTIAL
ALTERNATING, SEQUENTIAL, PHOTOTHERMAL, SHORT_DAY = 3, FAMILY_SEQUENTIAL, 5, 6

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


@dataclass(frozen=True)
class SeasonDays:
    """What drives development, one row a season, day 0 being the first day of the season.

    Attributes
    ----------
    tasmin, tasmax
        Daily extremes, dims (season, day) [degC]. A season is read up to its date only.
    daylight
        Day length, dims (place, day) [h].
    place
        Row of `daylight` of each season.
    """

    tasmin: _Array
    tasmax: _Array
    daylight: _Array
    place: _Whole

    def __len__(self) -> int:
        return len(self.tasmin)

    def taken(self, chosen: NDArray[np.int64]) -> SeasonDays:
        """Return some of the seasons."""
        return SeasonDays(
            self.tasmin[chosen], self.tasmax[chosen], self.daylight, self.place[chosen]
        )

    def _rows(self) -> SeasonRows:
        table = load_table("models.season", "families.toml")
        # in a polar night little is not nothing: its logarithm stays a number
        light = np.maximum(self.daylight, table.number("least_light"))
        return SeasonRows(
            np.ascontiguousarray(self.tasmin),
            np.ascontiguousarray(self.tasmax),
            np.log(light / table.number("day_length_unit")),
            self.place.astype(np.int64),
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
class Continuation:
    """Seasons known to a day, and the seasons whose weather continues them.

    Attributes
    ----------
    own, known
        Row of each season, and the first day of it that is not known.
    lenders
        Rows that continue it, dims (season, trace).
    years
        Years that each lies before it, same dims.
    warmer
        Warming of each day of the season, dims (day,) [K year-1].
    excess
        How much warmer the season was than each lender before its first day not known, dims
        (season, trace) [K].
    fading
        Share of it that is still there on each day of the season, dims (day,) [1].
    """

    own: _Whole
    known: _Whole
    lenders: _Whole
    years: _Array
    warmer: _Array
    excess: _Array
    fading: _Array

    @classmethod
    def none(cls, days: SeasonDays) -> Continuation:
        """Return every season as it is, in one trace."""
        n_seasons, length = days.tasmin.shape
        own = np.arange(n_seasons)
        known = np.full(n_seasons, length)
        alone, flat = np.zeros((n_seasons, 1)), np.zeros(length)
        return cls(own, known, own[:, None], alone, flat, alone, flat)


def flowering_days(
    sets: ParameterSets, days: SeasonDays, continued: Continuation | None = None
) -> _Array:
    """Return the day on which each set flowers.

    Parameters
    ----------
    sets
        With their requirements.
    days
        Seasons.
    continued
        Which of them are asked for, and how they go on; None for every season as it is.

    Returns
    -------
    numpy.ndarray
        Dims (set, season, trace), without the last where nothing is continued; noon is the whole
        number [d]. NaN where the requirement is not met.
    """
    how = Continuation.none(days) if continued is None else continued
    found = np.empty((*how.lenders.shape, len(sets)))
    flowering_of_traces(
        _plan(sets),
        days._rows(),
        how.own.astype(np.int64),
        how.known.astype(np.int64),
        np.ascontiguousarray(how.lenders, np.int64),
        np.ascontiguousarray(how.years, float),
        np.ascontiguousarray(how.warmer, float),
        np.ascontiguousarray(how.excess, float),
        np.ascontiguousarray(how.fading, float),
        found,
    )
    found = np.moveaxis(found, -1, 0)
    return found[..., 0] if continued is None else found


def development(
    sets: ParameterSets, days: SeasonDays, observed: _Array, *, near: int
) -> tuple[_Array, _Array]:
    """Return the requirement met at noon of observed days, and what a day brings around them.

    Parameters
    ----------
    sets
        Their requirements are not read.
    days
        The season of each observation.
    observed
        Its day [d].
    near
        Days on either side over which the pace is taken [d].

    Returns
    -------
    reached, pace
        Dims (set, observation); zero where warmth did not yet count.
    """
    reached, pace = np.empty((2, len(sets), len(observed)))
    development_at(_plan(sets), days._rows(), observed.astype(float), near, reached, pace)
    return reached, pace


def chill_days(tasmin: _Array, tasmax: _Array) -> _Array:
    """Return the chill days gathered by the end of each day, triangular rate, dims kept [d]."""
    low, high = (np.ascontiguousarray(a.reshape(-1, a.shape[-1]), float) for a in (tasmin, tasmax))
    gathered = gathered_chill(_plan(ParameterSets(np.empty((0, len(FIELDS))))), low, high)
    return np.asarray(gathered.reshape(tasmin.shape))


def _plan(sets: ParameterSets) -> FloweringPlan:
    table = load_table("models.season", "families.toml")
    return FloweringPlan(
        sets=np.ascontiguousarray(sets.values),
        chill_lower=table.number("chill.lower"),
        chill_optimum=table.number("chill.optimum"),
        chill_upper=table.number("chill.upper"),
        ceiling=table.number("ceiling"),
        earliest_release=int(table.number("earliest_release")),
    )
