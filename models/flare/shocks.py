r"""Shocks: weeks that are bad, or good, for all regions at once.

Beyond season and weather something shared remains (a run of thundery days, a flea year, a rumour
on the radio). It is modelled as a first-order autoregression on the log scale,

.. math:: s_w = \varphi s_{w-1} + e_w, \qquad \operatorname{var}(s) = \sigma^2,

observed each week through the regions' pooled departure from the fitted mean,
``z_w = sum(y - m) / sum(m)``, whose own error variance follows from the count model. The noise of
one week says nothing of the next, so *sigma* and *phi* are the least-squares fit of
``sigma**2 phi**k`` to the covariances of departures *k* weeks apart, from one to eight: however
much of the counts' spread is noise, it is not taken for a shock, nor a shock for noise. The present
state is a Kalman filter's; from there the shock fades with lead and its spread grows to *sigma*.

References
----------
Harvey A.C. 1989, Forecasting, Structural Time Series Models and the Kalman Filter, chapter 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table

Array = NDArray[np.float64]
_NOTHING = 1e-9  # visits a week that no model means: drivers far beyond any on record


@dataclass(frozen=True)
class SharedShock:
    """Estimated shocks: spread, persistence from week to week, and the state after the last week.

    Attributes
    ----------
    spread
        Stationary standard deviation on the log scale.
    persistence
        Week-to-week correlation.
    state_mean, state_variance
        Filtered shock of the last week.
    """

    spread: float
    persistence: float
    state_mean: float
    state_variance: float

    @classmethod
    def estimate(cls, counts: Array, mean: Array, *, size: float) -> SharedShock:
        """Estimate from counts and fitted means, both ``(region, week)``, NaN where unknown.

        Every week at its own noise: `size` is that of a region's count, of which the noise follows.
        """
        z, error = _departures(counts, mean, size=size)
        if np.isfinite(z).sum() < 3:
            return cls(0.0, 0.0, 0.0, 0.0)
        table = load_table("models.flare", "flare.toml")
        lags = np.arange(1, int(table.number("shock.lags")) + 1)
        covariance = np.array([_covariance(z, error, int(lag)) for lag in lags])
        lags, covariance = lags[np.isfinite(covariance)], covariance[np.isfinite(covariance)]
        grid = np.linspace(0.05, table.number("shock.persistence_max"), 19)
        fading = grid[:, None] ** lags
        # least squares of variance * persistence ** lag, for each persistence of the grid
        variance = np.maximum((fading @ covariance) / (fading**2).sum(1), 0.0)
        missed = ((covariance - variance[:, None] * fading) ** 2).sum(1)
        best = int(np.argmin(missed))
        if variance[best] <= 0:
            return cls(0.0, 0.0, 0.0, 0.0)
        spread = float(np.sqrt(min(variance[best], _covariance(z, error, 0))))
        return cls(spread, float(grid[best]), 0.0, 0.0).after(counts, mean, size=size)

    def after(self, counts: Array, mean: Array, *, size: float) -> SharedShock:
        """Return the same shocks with their state after these weeks, both ``(region, week)``.

        Spread and persistence stay as estimated: so newer weeks correct the level at once.
        """
        z, error = _departures(counts, mean, size=size)
        state = _filter(z, error, variance=self.spread**2, persistence=self.persistence)
        return SharedShock(self.spread, self.persistence, *state)

    def later(self, weeks: int) -> SharedShock:
        """Return the same shocks so many weeks on, of which nothing was seen; itself at none."""
        if weeks <= 0:
            return self
        keep = self.persistence**weeks
        variance = keep**2 * self.state_variance + (1.0 - keep**2) * self.spread**2
        return SharedShock(self.spread, self.persistence, keep * self.state_mean, variance)

    def paths(self, normal: Array) -> Array:
        """Turn standard normal numbers into shocks of the weeks ahead, each with mean effect one.

        `normal` has shape ``(draw, 1 + week)``: the present state's number, then the weeks'; the
        result has shape ``(draw, week)``.
        """
        n_draws, n_weeks = normal.shape[0], normal.shape[1] - 1
        state = self.state_mean + np.sqrt(self.state_variance) * normal[:, 0]
        innovation = self.spread * np.sqrt(1.0 - self.persistence**2)
        path = np.empty((n_draws, n_weeks))
        for week in range(n_weeks):
            state = self.persistence * state + innovation * normal[:, 1 + week]
            path[:, week] = state
        lead = np.arange(1, n_weeks + 1)
        keep = self.persistence ** (2 * lead)
        variance = keep * self.state_variance + (1.0 - keep) * self.spread**2
        # the fitted mean already is a mean over shocks, so exp(shock) must average one
        return path - 0.5 * variance


def variance_inflation(shock: SharedShock, counts: Array, mean: Array, *, size: float) -> float:
    """Return by how much weeks that share their shock tell less than independent ones.

    It is the factor by which the variance of a mean over many weeks exceeds that of as many
    independent weeks, ``1 + 2 q phi / (1 - phi)``, with *q* the shock's share of the variance of
    the regions' pooled departure. Counts and means have dims ``(region, week)``.
    """
    if shock.spread <= 0:
        return 1.0
    _, error = _departures(counts, mean, size=size)
    share = shock.spread**2 / (shock.spread**2 + float(np.nanmean(error)))
    return 1.0 + 2.0 * share * shock.persistence / (1.0 - shock.persistence)


def _departures(counts: Array, mean: Array, *, size: float) -> tuple[Array, Array]:
    """Return the regions' pooled departure of each week and its own error variance.

    Both ``(week,)``, NaN in a week of which nothing is known.
    """
    known = np.isfinite(counts) & np.isfinite(mean)
    expected = np.where(known, mean, 0.0).sum(0)
    surprise = np.where(known, counts - mean, 0.0).sum(0)
    inverse_size = 0.0 if np.isinf(size) else 1.0 / size
    own = np.where(known, mean + inverse_size * mean**2, 0.0).sum(0)
    expected = np.where(expected > _NOTHING, expected, np.nan)
    return surprise / expected, own / expected**2


def _covariance(z: Array, error: Array, lag: int) -> float:
    """Return the mean product of departures so many weeks apart; those told best count most."""
    end = len(z) - lag
    weight = 1.0 / np.sqrt(error[:end] * error[lag:])
    product = z[:end] * z[lag:]
    known = np.isfinite(product)
    return float((weight * product)[known].sum() / weight[known].sum()) if known.any() else np.nan


def _filter(z: Array, error: Array, *, variance: float, persistence: float) -> tuple[float, float]:
    """Follow the shock through the weeks; one that is not known moves its spread alone."""
    state, spread = 0.0, variance
    for seen, noise in zip(z, error, strict=True):
        state = persistence * state
        spread = persistence**2 * spread + (1 - persistence**2) * variance
        if np.isfinite(seen) and spread > 0:
            gain = spread / (spread + noise)
            state, spread = state + gain * (seen - state), (1 - gain) * spread
    return float(state), float(spread)
