r"""The smoothing member: a season, and a level that follows the weeks exponentially.

On the scale ``z = log(1 + y) - o`` (*y* the count, *o* the known part of its log-mean) the season
is a least-squares fit in which a year loses half of its weight every few years, and the rest is
followed by simple exponential smoothing,

.. math:: l_t = l_{t-1} + \alpha\,(z_t - s_t - l_{t-1}),

one *alpha* for all regions, the one of the table's grid with the smallest squared errors one week
to half a year ahead. Ahead the level is held. What it missed by in the past, at each lead, gives
the spread, and the shape of all its standardised errors the tails: no distribution is assumed. A
season fitted to *n* years is that much too near to them, so the errors are widened by the root of
``(n + 1) / (n - 1)``.

A region that says little borrows: its season is drawn to that of all regions together. Only the
distribution of single weeks is meant. A state-space model in all but name, and unlike the count
regressions; on its own it has too thin a lower tail for small counts.

References
----------
Hyndman R.J., Koehler A.B., Ord J.K. & Snyder R.D. 2008, Forecasting with Exponential Smoothing,
chapters 2 and 9.
"""

from __future__ import annotations

from copy import copy
from typing import Any, Self, cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from models.flare.season_terms import season
from models.parameters import ParameterTable, load_table
from models.streams import LARGEST_LOG_MEAN, DrawStreams
from models.weeks import WEEKS_IN_YEAR

Array = NDArray[np.float64]
_LEVELS = (np.arange(99) + 1) / 100.0


class Smoothing(BaseEstimator):  # type: ignore[misc]
    """Season by discounted least squares, level by exponential smoothing.

    Attributes
    ----------
    season_
        Coefficients of the season, shape ``(region, term)``.
    alpha_
        Weight of the newest week in the level.
    level_, last_week_
        The level after the last week, shape ``(region,)``, and that week.
    spread_
        Standard deviation of the errors at the table's leads, shape ``(region, lead)``.
    shape_
        Quantiles 1 to 99 % of the standardised errors, shape ``(99,)``.
    """

    def fit(self, counts: xr.DataArray, offset: xr.DataArray) -> Self:
        """Fit to counts and the known part of their log-mean, dims ``(region, week)``."""
        table = load_table("models.flare", "flare.toml")
        weeks = counts["week"].values.astype("datetime64[D]")
        z, columns = _scaled(counts, offset), season(weeks, _harmonics(table))
        weight = 0.5 ** (
            np.arange(len(weeks))[::-1] / WEEKS_IN_YEAR / table.number("smoothing.half_life")
        )
        self.season_ = _seasons(z, columns, weight, table)
        rest = z - self.season_ @ columns.T
        grid = np.array(cast(list[float], table["smoothing.alphas"].value))
        paths = _levels(rest, grid)
        leads = _leads(table, len(weeks))
        missed = np.array([_squared_errors(rest, path, leads) for path in paths])
        best = int(np.argmin(missed))
        self.alpha_ = float(grid[best])
        self.spread_, self.shape_ = _error_spread(rest, paths[best], leads, table)
        years = weight.sum() / WEEKS_IN_YEAR
        self.spread_ *= np.sqrt((years + 1.0) / max(years - 1.0, 0.5))
        self.level_, self.last_week_ = paths[best][:, -1], weeks[-1]
        return self

    def updated(self, counts: xr.DataArray, offset: xr.DataArray) -> Self:
        """Return the same fit with the level as it stands after newer counts."""
        member = copy(self)
        weeks = counts["week"].values.astype("datetime64[D]")
        table = load_table("models.flare", "flare.toml")
        rest = _scaled(counts, offset) - self.season_ @ season(weeks, _harmonics(table)).T
        member.level_ = _levels(rest, np.array([self.alpha_]))[0][:, -1]
        member.last_week_ = weeks[-1]
        return member

    def draw(self, offset: xr.DataArray, *, streams: DrawStreams) -> xr.DataArray:
        """Draw values of the weeks ahead from their known part, dims ``(draw, region, week)``.

        They are not whole: the blend rounds.
        """
        offset = offset.transpose("draw", "region", "week")
        table = load_table("models.flare", "flare.toml")
        weeks = offset["week"].values.astype("datetime64[D]")
        lead = (weeks - self.last_week_).astype(int) // 7
        known = np.array(cast(list[int], table["smoothing.leads"].value))[: self.spread_.shape[1]]
        spread = np.array([np.interp(lead, known, row) for row in self.spread_])
        centre = self.season_ @ season(weeks, _harmonics(table)).T + self.level_[:, None]
        error = np.interp(streams.own_uniform(len(weeks)), _LEVELS, self.shape_) * spread
        drawn = np.expm1(np.clip(centre + error + offset.values, 0.0, LARGEST_LOG_MEAN))
        return offset.copy(data=drawn)

    def to_dict(self) -> dict[str, Any]:
        """Return everything a draw needs as plain values and arrays."""
        return {
            "season": self.season_,
            "alpha": self.alpha_,
            "level": self.level_,
            "last_week": str(self.last_week_),
            "spread": self.spread_,
            "shape": self.shape_,
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Self:
        """Make a fitted member from what `to_dict` returned."""
        member = cls()
        member.alpha_ = float(stored["alpha"])
        member.last_week_ = np.datetime64(stored["last_week"], "D")
        for name in ("season", "level", "spread", "shape"):
            setattr(member, f"{name}_", np.asarray(stored[name], dtype=float))
        return member


def _harmonics(table: ParameterTable) -> int:
    return int(table.number("season.harmonics"))


def _scaled(counts: xr.DataArray, offset: xr.DataArray) -> Array:
    y = counts.transpose("region", "week").values.astype(float)
    return np.asarray(np.log1p(y) - offset.transpose("region", "week").values)


def _leads(table: ParameterTable, n_weeks: int) -> list[int]:
    """Return the table's leads that the past is long enough to judge."""
    least = int(table.number("smoothing.least_weeks"))
    leads = cast(list[int], table["smoothing.leads"].value)
    start = int(table.number("smoothing.warm_up"))
    return [h for h in leads if n_weeks - start - h >= least] or leads[:1]


def _seasons(z: Array, columns: Array, weight: Array, table: ParameterTable) -> Array:
    """Fit each region's season, drawn to that of all; shape ``(region, term)``."""
    known = np.isfinite(z)
    values = np.where(known, z, 0.0)
    draw = table.number("smoothing.shared_weeks")
    design = np.column_stack([np.ones(len(columns)), columns])
    ridge = np.diag([1e-6, *np.full(columns.shape[1], table.number("smoothing.ridge"))])
    # regions differ in level: the season of all is that of their departures
    usual = values.sum(1) / np.maximum(known.sum(1), 1)
    departures = np.where(known, values - usual[:, None], 0.0)
    weights = known * weight
    gram = np.einsum("wi,rw,wj->rij", design, weights, design)
    cross = np.einsum("wi,rw,rw->ri", design, weights, departures)
    shared = np.linalg.solve(gram.sum(0) + ridge, cross.sum(0))
    pull = np.diag([0.0, *np.full(columns.shape[1], draw)])
    found = np.stack(
        [
            np.linalg.solve(g + pull + ridge, c + pull @ shared)
            for g, c in zip(gram, cross, strict=True)
        ]
    )
    return np.asarray(found[:, 1:])


def _levels(rest: Array, alphas: Array) -> list[Array]:
    """Follow the level with each weight; a list of arrays ``(region, week)``.

    A week that is not known leaves the level where it was; a region without any has the mean level
    of the others.
    """
    known = np.isfinite(rest)
    values = np.where(known, rest, 0.0)
    first = np.cumsum(known, axis=1) <= 13
    opening = (values * (known & first)).sum(1) / np.maximum((known & first).sum(1), 1)
    silent = ~known.any(1)
    if silent.any():
        opening[silent] = opening[~silent].mean() if (~silent).any() else 0.0
    level = np.repeat(opening[None], len(alphas), axis=0)
    path = np.empty((len(alphas), *rest.shape))
    for week in range(rest.shape[1]):
        gain = alphas[:, None] * known[:, week]
        level = level + gain * (values[:, week] - level)
        path[:, :, week] = level
    return list(path)


def _errors(rest: Array, level: Array, lead: int, start: int) -> Array:
    errors: Array = rest[:, start + lead :] - level[:, start : rest.shape[1] - lead]
    return errors


def _squared_errors(rest: Array, level: Array, leads: list[int]) -> float:
    start = min(52, rest.shape[1] - leads[-1] - 1)
    found = [_errors(rest, level, h, start) for h in leads if h in leads[:6]]
    return float(np.mean([np.nanmean(e**2) for e in found]))


def _error_spread(
    rest: Array, level: Array, leads: list[int], table: ParameterTable
) -> tuple[Array, Array]:
    """Return the errors' spread by region and lead, and the shape of all of them."""
    start = int(min(table.number("smoothing.warm_up"), rest.shape[1] - leads[-1] - 1))
    spread, scaled = [], []
    shrink = table.number("smoothing.shared_weeks")
    for lead in leads:
        errors = _errors(rest, level, lead, start)
        known = np.isfinite(errors)
        square = np.where(known, errors, 0.0) ** 2
        common = square.sum() / max(known.sum(), 1)
        own = np.sqrt((square.sum(1) + shrink * common) / (known.sum(1) + shrink))
        spread.append(own)
        scaled.append((errors / own[:, None])[known])
    shape = np.quantile(np.concatenate(scaled), _LEVELS)
    return np.stack(spread, axis=-1), np.asarray(shape)
