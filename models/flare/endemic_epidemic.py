r"""The endemic-epidemic member: part of next week's rate is last weeks' rate, the rest a season.

The count of region *r* in week *w*, of which the known part of the mean is ``e``, is negative
binomial with size *k* and mean

.. math:: \mu_{r,w} = e_{r,w} \left( \exp\{a + a_r + s(w) + b\,t_w + l(w)\}
          + \lambda \sum_{j \ge 1} g_j\, \frac{y_{r,w-j}}{e_{r,w-j}} \right),

*s* the season, *b* a trend and *l* a level that wanders and returns: an Ornstein-Uhlenbeck process
with knots a year apart, of which a share *rho* is left after a year. *g* falls by the same share
from week to week and adds up to one. Unlike the regressions on log-means an unusual week here adds
to the next ones and does not multiply them, so that the way back from a peak is quick and the tails
at half a year stay bounded: *lambda* is below one.

How far the level moves, how soon it returns and how large a trend may be, no prior knows: all
combinations of the table's grid are fitted, and drawn from as often as the counts speak for them
(Laplace's approximation of each one's evidence). A series whose level has kept its direction so
gets a trend, one whose level swings back gets none. Given the weeks before, the weeks are
independent, so the likelihood needs no tempering here.

Draws run week by week: coefficients around the fit, the level's way ahead, the counts.

Chosen on the training weeks of eight panels of weekly surveillance series (277 origins, geometric
mean of the weighted interval score relative to climatology, prototypes, plain quantiles): the
median of regression, direct lag, smoothing and trend-climatology came to 0.781; with this member in
place of trend-climatology to between 0.772 and 0.778 over all grids tried, most of it one to four
weeks ahead (0.66 in place of 0.687). As a fifth member it came to 0.776 to 0.778. With one lag, a
linear trend and no level it came to 0.852 alone, against 0.785 to 0.815.

Known failures: the regions' seasons are one; a full week counts as counted; between yearly fits
the level is not followed, its spread grows.

References
----------
Held L., Hoehle M. & Hofmann M. 2005, Statistical Modelling 5:187-199 (the two components).
Bracher J. & Held L. 2022, International Journal of Forecasting 38:1221-1233 (falling weights of
more weeks than the last). Rasmussen C.E. & Williams C.K.I. 2006, Gaussian Processes for Machine
Learning, appendix B.2.1 (Ornstein-Uhlenbeck process), section 3.4 (Laplace's approximation).
"""

from __future__ import annotations

from copy import copy
from itertools import product
from typing import Any, Self, cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import expit, pdtr, pdtrik
from sklearn.base import BaseEstimator

from models.flare.endemic_epidemic_fit import Mode, Prior, Rows, fit_mode
from models.flare.rates import known_counts, log_rates
from models.flare.season_terms import season, years_since
from models.parameters import ParameterTable, load_table
from models.streams import DrawStreams
from models.weeks import WEEKS_IN_YEAR

Array = NDArray[np.float64]
_LARGEST_LOG_RATE = 12.0
_LEAST_WEIGHT = 0.01  # a mode drawn less often than this is left out


class EndemicEpidemic(BaseEstimator):  # type: ignore[misc]
    """Two-component negative-binomial regression with a level that wanders and returns.

    Attributes
    ----------
    coefficients_, covariance_
        Of each mode kept: common level, regions, season, trend, level at its knots (newest first),
        logit of *lambda*, log of *k*. Shapes ``(mode, term)``, ``(mode, term, term)``.
    step_, memory_, weight_
        Of each mode: spread of the level's moves in a year, *rho*, and how often it is drawn.
    decay_
        Share by which the weights of past weeks fall from week to week.
    log_rate_
        Log of each region's mean rate, shape ``(region,)``.
    recent_
        Rates of the newest weeks, newest first, NaN where not known, shape ``(region, week)``.
    fitted_week_, last_week_
        Last week of the fit, and of the counts seen since.
    """

    def fit(self, counts: xr.DataArray, offset: xr.DataArray) -> Self:
        """Fit to counts and the known part of their log-mean, dims ``(region, week)``."""
        table = load_table("models.flare", "flare.toml")
        y, exposed = known_counts(counts, offset)
        weeks = counts["week"].values.astype("datetime64[D]")
        self.log_rate_, self.fitted_week_ = log_rates(y, exposed), weeks[-1]
        self.n_years_ = max(int(len(weeks) / WEEKS_IN_YEAR), 1)
        design = self._design(weeks)
        self._fit_modes(y, exposed, design, table)
        self._see(y, exposed, weeks)
        return self

    def updated(self, counts: xr.DataArray, offset: xr.DataArray) -> Self:
        """Return the same fit, started from newer counts."""
        member = copy(self)
        member._see(*known_counts(counts, offset), counts["week"].values.astype("datetime64[D]"))
        return member

    def _see(self, y: Array, exposed: Array, weeks: NDArray[np.datetime64]) -> None:
        self.last_week_ = weeks[-1]
        rate = _rates(y, exposed)[:, ::-1][:, : _n_lags()]
        self.recent_ = np.pad(
            rate, ((0, 0), (0, _n_lags() - rate.shape[1])), constant_values=np.nan
        )

    def _fit_modes(self, y: Array, exposed: Array, design: Array, table: ParameterTable) -> None:
        decays, steps, memories, trends = (
            cast(list[float], table[f"endemic_epidemic.{name}"].value)
            for name in ("decays", "level_steps", "level_memories", "trend_sds")
        )
        usual = (steps[len(steps) // 2], memories[0], trends[-1])
        tried = []
        start: Array | None = None
        for decay in decays:
            rows = self._rows(y, exposed, design, decay)
            tried.append(fit_mode(rows, self._prior(*usual, table), start=start))
            start = tried[-1].coefficients
        at = int(np.argmax([mode.log_evidence for mode in tried]))
        self.decay_, start = decays[at], tried[at].coefficients
        rows = self._rows(y, exposed, design, self.decay_)
        grid = list(product(steps, memories, trends))
        modes: list[Mode] = []
        for point in grid:
            modes.append(fit_mode(rows, self._prior(*point, table), start=start))
            start = modes[-1].coefficients
        evidence = np.array([mode.log_evidence for mode in modes])
        weight = np.exp(evidence - evidence.max())
        kept = np.flatnonzero(weight / weight.sum() >= _LEAST_WEIGHT)
        self.weight_ = weight[kept] / weight[kept].sum()
        self.coefficients_ = np.stack([modes[k].coefficients for k in kept])
        self.covariance_ = np.stack([modes[k].covariance for k in kept])
        self.step_, self.memory_ = (np.array([grid[k][i] for k in kept]) for i in (0, 1))

    def draw(self, offset: xr.DataArray, *, streams: DrawStreams) -> xr.DataArray:
        """Draw counts of the weeks ahead from their known part, dims ``(draw, region, week)``."""
        offset = offset.transpose("draw", "region", "week")
        weeks = offset["week"].values.astype("datetime64[D]")
        chance = streams.shared(lambda stream: np.array(stream.random()))
        mode = np.minimum(np.searchsorted(np.cumsum(self.weight_), chance), len(self.weight_) - 1)
        n_terms, n_weeks = self.coefficients_.shape[1], len(weeks)
        normal = streams.shared_normal(n_terms + n_weeks)
        root = np.linalg.cholesky(self.covariance_)[mode]
        drawn = self.coefficients_[mode] + np.einsum("itu,iu->it", root, normal[:, :n_terms])
        rate = self._endemic(drawn, mode, weeks, normal[:, n_terms:])
        size = np.exp(np.clip(drawn[:, -1], None, _LARGEST_LOG_RATE))

        def take(stream: np.random.Generator, draw: int, region: int) -> Array:
            shape = size[draw]
            return np.stack([stream.standard_gamma(shape, n_weeks) / shape, stream.random(n_weeks)])

        moved = streams.own(take)
        exposed = np.exp(np.clip(offset.values, None, _LARGEST_LOG_RATE))
        return offset.copy(data=self._run(rate, expit(drawn[:, -2]), exposed, moved, weeks))

    def _endemic(
        self, drawn: Array, mode: NDArray[np.intp], weeks: NDArray[np.datetime64], normal: Array
    ) -> Array:
        """Return the rate of the weeks ahead without that of recent ones, ``(draw, region, week)``.

        The level goes on from the last week of the fit, however long ago that is.
        """
        n_fixed = drawn.shape[1] - 2 - (self.n_years_ + 1)
        fixed = self._design(weeks)[..., :n_fixed]
        eta = np.einsum("rwt,it->irw", fixed, drawn[:, :n_fixed]) + self.log_rate_[:, None]
        rho, step = self.memory_[mode], self.step_[mode]
        level = drawn[:, n_fixed]
        years = np.diff(years_since(weeks, self.fitted_week_), prepend=0.0)
        for at, span in enumerate(years):
            left = rho**span
            spread = step * np.sqrt((1.0 - left**2) / (1.0 - rho**2))
            level = left * level + spread * normal[:, at]
            eta[:, :, at] += level[:, None]
        return np.exp(np.clip(eta, None, _LARGEST_LOG_RATE))

    def _run(
        self,
        rate: Array,
        lasting: Array,
        exposed: Array,
        moved: Array,
        weeks: NDArray[np.datetime64],
    ) -> Array:
        """Run counts forward week by week; `moved` holds each week's gamma factor and chance."""
        gap = int((weeks[0] - self.last_week_).astype(int)) // 7 - 1
        past = np.pad(self.recent_, ((0, 0), (gap, 0)), constant_values=np.nan)[:, : _n_lags()]
        past = np.broadcast_to(past, (len(rate), *past.shape))
        usual = np.exp(self.log_rate_)
        counts = np.empty(rate.shape)
        for week in range(len(weeks)):
            recent = _recent(past, self.decay_, usual)
            mean = exposed[:, :, week] * (rate[:, :, week] + lasting[:, None] * recent)
            counts[:, :, week] = _poisson(moved[:, :, 1, week], mean * moved[:, :, 0, week])
            newest = counts[:, :, week] / exposed[:, :, week]
            past = np.concatenate([newest[:, :, None], past[:, :, :-1]], axis=-1)
        return counts

    # ---------------------------------------------------------------------------- design
    def _design(self, weeks: NDArray[np.datetime64]) -> Array:
        """Return the columns of the log-mean, shape ``(region, week, term)``."""
        harmonics = int(load_table("models.flare", "flare.toml").number("season.harmonics"))
        years = years_since(weeks, self.fitted_week_)
        shared = [np.ones((len(weeks), 1)), season(weeks, harmonics), years[:, None]]
        knots = _between_knots(years, self.n_years_)
        n_regions = len(self.log_rate_)
        own = np.broadcast_to(np.eye(n_regions)[:, None], (n_regions, len(weeks), n_regions))
        first, rest = shared[0], np.concatenate([*shared[1:], knots], axis=-1)
        return np.concatenate(
            [
                np.broadcast_to(first, (n_regions, *first.shape)),
                own,
                np.broadcast_to(rest, (n_regions, *rest.shape)),
            ],
            axis=-1,
        )

    def _rows(self, y: Array, exposed: Array, design: Array, decay: float) -> Rows:
        """Return the known weeks after the first few, whose past is known."""
        n_lags = _n_lags()
        usual = np.exp(self.log_rate_)
        recent = _recent(_past_rates(_rates(y, exposed), n_lags), decay, usual[:, None])
        use = exposed > 0
        use[:, :n_lags] = False
        known = exposed * usual[:, None]
        return Rows(design[use], y[use], known[use], (recent / usual[:, None])[use])

    def _prior(self, step: float, memory: float, trend: float, table: ParameterTable) -> Prior:
        harmonics = int(table.number("season.harmonics"))
        n_regions = len(self.log_rate_)
        waves = [table.number("prior.season_sd") / k for k in range(1, harmonics + 1)]
        sd = [
            table.number("prior.intercept_sd"),
            *[table.number("prior.region_sd")] * n_regions,
            *np.repeat(waves, 2),
            *[table.number("prior.turn_of_year_sd")] * 2,
            trend,
        ]
        knots = np.arange(self.n_years_ + 1)
        apart = memory ** np.abs(knots[:, None] - knots)
        lasting, size = (
            table.number(f"endemic_epidemic.{name}") for name in ("lasting_sd", "log_size_sd")
        )
        precision = _block_diagonal(
            np.diag(1.0 / np.array(sd) ** 2),
            np.linalg.inv(step**2 / (1.0 - memory**2) * apart),
            np.diag([1.0 / lasting**2, 1.0 / size**2]),
        )
        mean = np.zeros(len(precision))
        mean[-1] = table.number("endemic_epidemic.log_size")
        return Prior(mean, precision)

    # ---------------------------------------------------------------------------- as data
    def to_dict(self) -> dict[str, Any]:
        """Return everything a draw needs as plain values and arrays."""
        return {
            "n_years": self.n_years_,
            "decay": self.decay_,
            "fitted_week": str(self.fitted_week_),
            "last_week": str(self.last_week_),
        } | {name: getattr(self, f"{name}_") for name in _ARRAYS}

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Self:
        """Make a fitted member from what `to_dict` returned."""
        member = cls()
        member.n_years_, member.decay_ = int(stored["n_years"]), float(stored["decay"])
        member.fitted_week_ = np.datetime64(stored["fitted_week"], "D")
        member.last_week_ = np.datetime64(stored["last_week"], "D")
        for name in _ARRAYS:
            setattr(member, f"{name}_", np.asarray(stored[name], dtype=float))
        return member


_ARRAYS = ("coefficients", "covariance", "step", "memory", "weight", "log_rate", "recent")


def _n_lags() -> int:
    return int(load_table("models.flare", "flare.toml").number("endemic_epidemic.lags"))


def _rates(y: Array, exposed: Array) -> Array:
    """Return counts over what they are counted against, NaN where not known."""
    return np.where(exposed > 0, y, np.nan) / np.where(exposed > 0, exposed, 1.0)


def _past_rates(rate: Array, n_lags: int) -> Array:
    """Return the rates of the weeks before each, newest first, shape ``(region, week, lag)``."""
    padded = np.pad(rate, ((0, 0), (n_lags, 0)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, n_lags, axis=1)
    return np.asarray(windows[:, :-1, ::-1])


def _recent(past: Array, decay: float, usual: Array) -> Array:
    """Return the weighted mean of past rates over the last axis, newest first.

    Weeks that are not known are left out; the usual rate where none that counts is known.
    """
    known = np.isfinite(past)
    weight = decay ** np.arange(past.shape[-1]) * known
    total = weight.sum(-1)
    mean = (weight * np.where(known, past, 0.0)).sum(-1) / np.where(total > 0, total, 1.0)
    return np.where(total > 0, mean, usual)


def _between_knots(years: Array, n_years: int) -> Array:
    """Return each week's weights of the knots 0, 1, ... years before the last week."""
    back = np.clip(-years, 0.0, n_years)
    knots = np.arange(n_years + 1)
    weights: Array = np.clip(1.0 - np.abs(back[:, None] - knots), 0.0, None)
    return weights


def _block_diagonal(*blocks: Array) -> Array:
    total = sum(len(block) for block in blocks)
    joined, at = np.zeros((total, total)), 0
    for block in blocks:
        joined[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return joined


def _poisson(chance: Array, mean: Array) -> Array:
    """Return the Poisson counts at which the distribution passes the chance."""
    above = np.ceil(np.nan_to_num(pdtrik(chance, mean)))
    below = np.maximum(above - 1.0, 0.0)
    counts: Array = np.where(pdtr(below, mean) >= chance, below, above)
    return counts
