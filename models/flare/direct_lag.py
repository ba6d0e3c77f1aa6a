r"""The direct-lag member: what recent weeks were like says what later weeks will be.

No model of the weeks between is run forward. For each band of leads *h* a negative-binomial
regression of its own says

.. math:: \log \mu_{r,t+h} = o_{r,t+h} + a + s(t + h) + u(t) + \sum_k c_k\, f_{k,r,t},

*o* the known part with the region's mean rate, *s* the season of the target, *u* that of the origin
(a level that is high in a high season says nothing new) and *f* the log of the region's rate in
nested windows of recent weeks against the next longer one, the longest against its mean. So each
band finds for itself how much of a departure lasts.

Only the distribution of single weeks is meant: what happens together is not (see
:mod:`models.flare.blend`). Sharp one to four weeks ahead; beyond a quarter of a year it tends to
the season.

References
----------
Marcellino M., Stock J.H. & Watson M.W. 2006, Journal of Econometrics 135:499-526 (direct against
iterated forecasts).
"""

from __future__ import annotations

from copy import copy
from dataclasses import asdict
from itertools import pairwise
from typing import Any, Self, cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from models.flare.known_counts import LARGEST_LOG_MEAN, known_counts, log_rates, pseudo_count
from models.flare.negative_binomial_fit import NegativeBinomialFit, fit_negative_binomial
from models.flare.season_terms import season, waves
from models.parameters import ParameterTable, load_table
from models.streams import DrawStreams

Array = NDArray[np.float64]


class DirectLag(BaseEstimator):  # type: ignore[misc]
    """Negative-binomial regressions of later weeks on recent ones, one a band of leads.

    Attributes
    ----------
    bands_
        First and last lead [weeks] of each band, to its fit; bands longer than the past are left
        out and taken from the longest there is.
    log_rate_
        Log of each region's mean rate, shape ``(region,)``.
    recent_
        Features of the last weeks, shape ``(region, feature)``.
    last_week_
        The last week of the counts.
    """

    def fit(self, counts: xr.DataArray, offset: xr.DataArray) -> Self:
        """Fit to counts and the known part of their log-mean, dims ``(region, week)``."""
        table = load_table("models.flare", "flare.toml")
        y, exposed = known_counts(counts, offset)
        self.log_rate_ = log_rates(y, exposed)
        features = self._features(y, exposed)
        weeks = counts["week"].values.astype("datetime64[D]")
        calendar = _calendar(weeks, weeks)
        self.bands_: dict[tuple[int, int], NegativeBinomialFit] = {}
        shortest = int(table.number("direct_lag.least_weeks"))
        first = max(cast(list[int], table["direct_lag.windows"].value)) - 1
        for start, end in cast(list[list[int]], table["direct_lag.bands"].value):
            leads = [
                h
                for h in sorted({start, (start + end) // 2, end})
                if len(weeks) - first - h >= shortest
            ]
            if leads:
                rows = [self._rows(y, exposed, features, calendar, first, h) for h in leads]
                self.bands_[(start, end)] = _fit_band(rows, table)
        self._see(features, weeks)
        return self

    def updated(self, counts: xr.DataArray, offset: xr.DataArray) -> Self:
        """Return the same fit, started from newer counts."""
        member = copy(self)
        member._see(
            self._features(*known_counts(counts, offset)),
            counts["week"].values.astype("datetime64[D]"),
        )
        return member

    def _see(self, features: Array, weeks: NDArray[np.datetime64]) -> None:
        self.recent_, self.last_week_ = features[:, -1], weeks[-1]

    def draw(self, offset: xr.DataArray, *, streams: DrawStreams) -> xr.DataArray:
        """Draw counts of the weeks ahead from their known part, dims ``(draw, region, week)``."""
        offset = offset.transpose("draw", "region", "week")
        weeks = offset["week"].values.astype("datetime64[D]")
        lead = (weeks - self.last_week_).astype(int) // 7
        normal = streams.shared_normal(_n_terms())
        mean = np.empty(offset.shape)
        size = np.empty(len(weeks))
        # leads of a band share its coefficients, which are drawn once
        drawn = {start: _coefficients(found, normal) for (start, _), found in self.bands_.items()}
        # one origin, all targets: the design of each week ahead, shape (region, week, term)
        recent = np.repeat(self.recent_[:, None], len(weeks), axis=1)
        designs = _design(recent, *_calendar(np.repeat(self.last_week_, len(weeks)), weeks))
        for at, h in enumerate(lead):
            band = self._band_of(int(h))
            eta = drawn[band[0]] @ designs[:, at].T + self.log_rate_
            mean[:, :, at] = np.exp(np.clip(eta + offset.values[:, :, at], None, LARGEST_LOG_MEAN))
            size[at] = self.bands_[band].size
        return offset.copy(data=_negative_binomial(mean, size, streams))

    def _band_of(self, lead: int) -> tuple[int, int]:
        return next((band for band in self.bands_ if lead <= band[1]), list(self.bands_)[-1])

    # ---------------------------------------------------------------------------- design
    def _features(self, y: Array, exposed: Array) -> Array:
        """Return nested log levels of the weeks up to each, shape ``(region, week, feature)``."""
        table = load_table("models.flare", "flare.toml")
        windows = cast(list[int], table["direct_lag.windows"].value)
        extra = pseudo_count()
        expected = exposed * np.exp(self.log_rate_)[:, None]
        levels = [
            np.log((_trailing(y, w) + extra) / (_trailing(expected, w) + extra)) for w in windows
        ]
        nested = [a - b for a, b in pairwise(levels)]
        return np.stack([*nested, levels[-1]], axis=-1)

    def _rows(
        self,
        y: Array,
        exposed: Array,
        features: Array,
        calendar: tuple[Array, Array],
        first: int,
        lead: int,
    ) -> tuple[Array, Array, Array]:
        """Return design, counts and known part of all origins at one lead, unknown rows left out.

        An origin and its target are `lead` weeks apart; `calendar` is that of all weeks.
        """
        of_origin, of_target = calendar
        at = np.arange(first, y.shape[1] - lead)
        design = _design(features[:, at], of_origin[at], of_target[at + lead])
        target, known = y[:, at + lead], exposed[:, at + lead]
        offset = np.log(np.where(known > 0, known, 1.0)) + self.log_rate_[:, None]
        use = known > 0
        return design[use], target[use], offset[use]

    # ---------------------------------------------------------------------------- as data
    def to_dict(self) -> dict[str, Any]:
        """Return everything a draw needs as plain values and arrays."""
        return {
            "log_rate": self.log_rate_,
            "recent": self.recent_,
            "last_week": str(self.last_week_),
            "bands": [
                {"start": a, "end": b} | asdict(_finite(fit)) for (a, b), fit in self.bands_.items()
            ],
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Self:
        """Make a fitted member from what `to_dict` returned."""
        member = cls()
        member.log_rate_ = np.asarray(stored["log_rate"], dtype=float)
        member.recent_ = np.asarray(stored["recent"], dtype=float)
        member.last_week_ = np.datetime64(stored["last_week"], "D")
        member.bands_ = {
            (band["start"], band["end"]): NegativeBinomialFit(
                np.asarray(band["coefficients"], dtype=float),
                np.asarray(band["covariance"], dtype=float),
                float(band["size"]),
                float(band["log_likelihood"]),
            )
            for band in stored["bands"]
        }
        return member


def _calendar(
    origins: NDArray[np.datetime64], targets: NDArray[np.datetime64]
) -> tuple[Array, Array]:
    """Return what weeks say as origins and as targets, each ``(week, term)``."""
    table = load_table("models.flare", "flare.toml")
    return (
        waves(origins, int(table.number("direct_lag.origin_harmonics"))),
        season(targets, int(table.number("season.harmonics"))),
    )


def _design(features: Array, of_origin: Array, of_target: Array) -> Array:
    """Return the design of origins and their targets, shape ``(region, origin, term)``."""
    shared = np.concatenate([np.ones((len(of_origin), 1)), of_target, of_origin], axis=-1)
    return np.concatenate(
        [np.broadcast_to(shared, (len(features), *shared.shape)), features], axis=-1
    )


def _finite(found: NegativeBinomialFit) -> NegativeBinomialFit:
    """Write an infinite size as a very large one: JSON has no number for it."""
    size = min(found.size, 1e9)
    return NegativeBinomialFit(found.coefficients, found.covariance, size, found.log_likelihood)


def _trailing(values: Array, window: int) -> Array:
    """Sum the weeks up to each, as many as there are of the window."""
    total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
    end = np.arange(1, values.shape[1] + 1)
    summed: Array = total[:, end] - total[:, np.maximum(end - window, 0)]
    return summed


def _n_terms() -> int:
    table = load_table("models.flare", "flare.toml")
    waves_of_target = 2 * int(table.number("season.harmonics")) + 2
    waves_of_origin = 2 * int(table.number("direct_lag.origin_harmonics"))
    windows = len(cast(list[int], table["direct_lag.windows"].value))
    return 1 + waves_of_target + waves_of_origin + windows


def _prior_sd(table: ParameterTable) -> Array:
    target = [
        table.number("prior.season_sd") / k
        for k in range(1, int(table.number("season.harmonics")) + 1)
        for _ in range(2)
    ]
    origin = [
        table.number("direct_lag.origin_season_sd") / k
        for k in range(1, int(table.number("direct_lag.origin_harmonics")) + 1)
        for _ in range(2)
    ]
    turn = [table.number("prior.turn_of_year_sd")] * 2
    windows = cast(list[int], table["direct_lag.windows"].value)
    level = [table.number("direct_lag.level_sd")] * len(windows)
    return np.array([table.number("prior.intercept_sd"), *target, *turn, *origin, *level])


def _coefficients(found: NegativeBinomialFit, normal: Array) -> Array:
    """Return draws of a band's coefficients, shape ``(draw, term)``."""
    root = np.linalg.cholesky(found.covariance + 1e-12 * np.eye(len(found.covariance)))
    drawn: Array = found.coefficients + normal @ root.T
    return drawn


def _fit_band(rows: list[tuple[Array, Array, Array]], table: ParameterTable) -> NegativeBinomialFit:
    """Fit one band; an origin stands in it once a lead, which is no more evidence."""
    design, y, offset = (np.concatenate(part) for part in zip(*rows, strict=True))
    times = len(rows)
    found = fit_negative_binomial(design, y, offset=offset, precision=times / _prior_sd(table) ** 2)
    return NegativeBinomialFit(
        found.coefficients, found.covariance * times, found.size, found.log_likelihood
    )


def _negative_binomial(mean: Array, size: Array, streams: DrawStreams) -> NDArray[np.int64]:
    shape = np.minimum(size, 1e9)
    scale = 1.0 / shape

    def take(stream: np.random.Generator, draw: int, region: int) -> NDArray[np.int64]:
        rate = scale * stream.standard_gamma(shape)
        return np.asarray(stream.poisson(mean[draw, region] * rate))

    return streams.own(take)
