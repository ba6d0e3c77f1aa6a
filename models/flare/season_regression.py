r"""The regression member: flare visits from region, season, trend, weather and exposure.

The pressure of region *r* in week *w* is negative binomial with

.. math:: \log \mu_{r,w} = \log v_{r,w} + a + a_r + \sum_k (b_k + b_{k,r})\, h_k(w)
          + t\,(w - w_0) + \sum_d c_d\, x_{d,r,w} + s_w,

*v* the other consultations of that week (a branch that sees twice the dogs sees twice the
flares), *h* annual harmonics, *x* the lagged anomalies of :mod:`models.flare.drivers` and *s* the
shared shock of :mod:`models.flare.shocks`. Region terms are pooled: each has a normal prior around
the common value. All priors stand in ``flare.toml``.

The visits a practice saw are the pressure less what cover prevented, so the fit carries
``log(visible share)`` as a further known part (:mod:`models.flare.cover`).

Draws combine four sources of spread: the coefficients (normal around the fit), the weather of the
draw's trace, the shared shock, and the count itself. They do not hold the error of the model's
form; the blend with climatology is there for that.

Known failures: the trend runs on unchanged for a year; a practice with fewer than two years of
visits has hardly more season in its data than in the prior; weeks cut off by a full diary read as
quiet weeks.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from models.flare.drivers import WEATHER_DRIVERS
from models.flare.negative_binomial_fit import fit_negative_binomial
from models.flare.shocks import SharedShock
from models.parameters import load_table
from models.streams import DrawStreams
from models.weeks import WEEKS_IN_YEAR, phase

Array = NDArray[np.float64]
_LARGEST_LOG_MEAN = 12.0  # 160,000 visits a week: a draw beyond is an overflow, not a forecast


@dataclass(frozen=True)
class Terms:
    """Names and prior precisions of the terms of one design."""

    names: list[str] = field(default_factory=list)
    precision: list[float] = field(default_factory=list)

    def add(self, name: str, prior_sd: float) -> None:
        """Append a term with a normal prior of that standard deviation."""
        self.names.append(name)
        self.precision.append(prior_sd**-2)


class SeasonRegression(BaseEstimator):  # type: ignore[misc]
    """Negative-binomial regression of weekly counts of several regions.

    Parameters
    ----------
    drivers
        Drivers that may enter, by name; an empty tuple gives season and trend alone.
    driver_prior
        Whether the drivers carry the table's priors; a test of their effects wants none.

    Attributes
    ----------
    terms_
        Names of the terms, in the order of the coefficients.
    coefficients_, covariance_
        Fit and its spread.
    total_size_, size_
        Size *k* of the counts as fitted, and of a single region's with the shared shock taken out.
    shock_
        The shared shock.
    regions_, last_week_
        Regions known to the fit; the week the trend is counted from.
    """

    def __init__(self, drivers: tuple[str, ...] = (), *, driver_prior: bool = True) -> None:
        self.drivers = drivers
        self.driver_prior = driver_prior

    def fit(self, counts: xr.DataArray, offset: xr.DataArray, anomalies: xr.DataArray) -> Self:
        """Fit to counts.

        Parameters
        ----------
        counts
            Dims ``(region, week)``; NaN where nothing was reported.
        offset
            Known part of the log-mean, same dims.
        anomalies
            Dims ``(driver, region, week)``; may reach beyond the counts in time.
        """
        regions = [str(r) for r in counts["region"].values]
        self.regions_ = regions
        self.last_week_ = np.datetime64(counts["week"].values[-1], "D")
        terms = self._terms()
        design, y, known_part, use = self.rows(counts, offset, anomalies)
        found = fit_negative_binomial(
            design[use], y[use], offset=known_part[use], precision=np.array(terms.precision)
        )
        self.terms_, self.total_size_ = terms.names, found.size
        self.coefficients_, self.covariance_ = found.coefficients, found.covariance
        self._split_dispersion(*self._seen(design, y, known_part, use), size=found.size)
        return self

    def updated(self, counts: xr.DataArray, offset: xr.DataArray, anomalies: xr.DataArray) -> Self:
        """Return the same fit with the shared shock as it stands after these counts.

        Parameters are those of `fit`, with the regions of the fit. On the counts of the fit the
        result is equal to it, to the last bit.
        """
        member = copy(self)
        seen = self._seen(*self.rows(counts, offset, anomalies))
        member.shock_ = self.shock_.after(*seen, size=self.size_)
        return member

    def _seen(
        self, design: Array, y: Array, known_part: Array, use: NDArray[np.bool_]
    ) -> tuple[Array, Array]:
        """Return counts and fitted means ``(region, week)``, NaN where either is not known."""
        mean = np.where(use, np.exp(known_part + design @ self.coefficients_), np.nan)
        return np.where(use, y, np.nan), mean

    def rows(
        self, counts: xr.DataArray, offset: xr.DataArray, anomalies: xr.DataArray
    ) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
        """Return design ``(region, week, term)``, counts, known part, and which rows are known."""
        fixed = self._fixed_design(counts["week"].values)
        moving = self._moving_design(anomalies.sel(week=counts["week"], region=self.regions_))
        design = np.concatenate([fixed, moving], axis=-1)
        y = counts.transpose("region", "week").values.astype(float)
        known_part = offset.transpose("region", "week").values
        use = np.isfinite(y) & np.isfinite(known_part) & np.isfinite(design).all(-1)
        return design, y, known_part, use

    def _split_dispersion(self, counts: Array, mean: Array, *, size: float) -> None:
        """Part the extra-Poisson variance into the shared shock and each region's own."""
        inverse = 0.0 if np.isinf(size) else 1.0 / size
        first = SharedShock.estimate(counts, mean, size=size)
        own = max(inverse - (np.exp(first.spread**2) - 1.0), 0.2 * inverse)
        self.size_ = 1.0 / own if own > 0 else float("inf")
        self.shock_ = SharedShock.estimate(counts, mean, size=self.size_)

    def draw(
        self, offset: xr.DataArray, anomalies: xr.DataArray, *, streams: DrawStreams
    ) -> xr.DataArray:
        """Draw whole futures.

        Parameters
        ----------
        offset
            Known part of the log-mean in each draw, dims ``(draw, region, week)``.
        anomalies
            Drivers of each draw, dims ``(draw, driver, region, week)``, the same weeks.
        streams
            Random numbers: coefficients and shocks are shared by the regions, counts are not.

        Returns
        -------
        xarray.DataArray
            Counts, dims ``(draw, region, week)``.
        """
        offset = offset.transpose("draw", "region", "week")
        b = self._coefficient_draws(streams)
        fixed = self._fixed_design(offset["week"].values)
        n_fixed = fixed.shape[-1]
        eta = offset.values + np.einsum("rwt,it->irw", fixed, b[:, :n_fixed])
        if self.drivers:
            x = anomalies.sel(driver=list(self.drivers)).transpose(
                "draw", "driver", "region", "week"
            )
            eta += np.einsum("idrw,id->irw", x.sel(week=offset["week"]).values, b[:, n_fixed:])
        eta += self.shock_.paths(streams.shared_normal(1 + offset.sizes["week"]))[:, None, :]
        mean = np.exp(np.clip(eta, None, _LARGEST_LOG_MEAN))
        return offset.copy(data=streams.own_counts(mean, size=self.size_))

    def effects(self) -> pd.DataFrame:
        """Return each term's coefficient with its 90 % interval, on the log scale."""
        sd = np.sqrt(np.diag(self.covariance_))
        return pd.DataFrame(
            {
                "term": self.terms_,
                "effect": self.coefficients_,
                "low": self.coefficients_ - 1.645 * sd,
                "high": self.coefficients_ + 1.645 * sd,
            }
        )

    def to_dict(self) -> dict[str, Any]:
        """Return everything a draw needs as plain values and arrays."""
        return {
            "drivers": list(self.drivers),
            "regions": self.regions_,
            "terms": self.terms_,
            "last_week": str(self.last_week_),
            "coefficients": self.coefficients_,
            "covariance": self.covariance_,
            "size": self.size_,
            "shock": np.array(
                [
                    self.shock_.spread,
                    self.shock_.persistence,
                    self.shock_.state_mean,
                    self.shock_.state_variance,
                ]
            ),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Self:
        """Make a fitted member from what `to_dict` returned."""
        member = cls(tuple(stored["drivers"]))
        member.regions_ = list(stored["regions"])
        member.terms_ = list(stored["terms"])
        member.last_week_ = np.datetime64(stored["last_week"], "D")
        member.coefficients_ = np.asarray(stored["coefficients"], dtype=float)
        member.covariance_ = np.asarray(stored["covariance"], dtype=float)
        member.size_ = float(stored["size"])
        member.shock_ = SharedShock(*(float(v) for v in stored["shock"]))
        return member

    def _coefficient_draws(self, streams: DrawStreams) -> Array:
        root = np.linalg.cholesky(self.covariance_ + 1e-12 * np.eye(len(self.covariance_)))
        normal = streams.shared_normal(len(self.coefficients_))
        draws: Array = self.coefficients_ + normal @ root.T
        return draws

    def _terms(self) -> Terms:
        table = load_table("models.flare", "flare.toml")
        terms = Terms()
        terms.add("level", table.number("prior.intercept_sd"))
        for region in self.regions_:
            terms.add(f"level of {region}", table.number("prior.region_sd"))
        terms.add("trend", table.number("prior.trend_sd"))
        for k, wave in self._waves(int(table.number("season.harmonics"))):
            terms.add(f"season {k}{wave}", table.number("prior.season_sd") / k)
        for region in self.regions_:
            for k, wave in self._waves(int(table.number("season.region_harmonics"))):
                prior_sd = table.number("prior.region_season_sd") / k
                terms.add(f"season {k}{wave} of {region}", prior_sd)
        for driver in self.drivers:
            kind = "weather" if driver in WEATHER_DRIVERS else "exposure"
            prior_sd = table.number(f"prior.{kind}_sd") if self.driver_prior else np.inf
            terms.add(driver, prior_sd)
        return terms

    @staticmethod
    def _waves(harmonics: int) -> list[tuple[int, str]]:
        return [(k, wave) for k in range(1, harmonics + 1) for wave in ("c", "s")]

    def _fixed_design(self, weeks: NDArray[np.datetime64]) -> Array:
        """Level, trend and season, shape ``(region, week, term)``."""
        table = load_table("models.flare", "flare.toml")
        n_regions, n_weeks = len(self.regions_), len(weeks)
        one = np.ones(n_weeks)
        days = (weeks.astype("datetime64[D]") - self.last_week_).astype(float)
        trend = days / 7.0 / WEEKS_IN_YEAR
        shared = _harmonics(weeks, int(table.number("season.harmonics")))
        own = _harmonics(weeks, int(table.number("season.region_harmonics")))
        columns = [np.broadcast_to(one, (n_regions, n_weeks))]
        columns += [_only(r, one, n_regions) for r in range(n_regions)]
        columns += [np.broadcast_to(c, (n_regions, n_weeks)) for c in (trend, *shared)]
        columns += [_only(r, wave, n_regions) for r in range(n_regions) for wave in own]
        return np.stack(columns, axis=-1)

    def _moving_design(self, anomalies: xr.DataArray) -> Array:
        chosen = anomalies.sel(driver=list(self.drivers))
        values: Array = chosen.transpose("region", "week", "driver").values.astype(float)
        return values


def _harmonics(weeks: NDArray[np.datetime64], harmonics: int) -> list[Array]:
    angle = 2.0 * np.pi * phase(weeks)
    return [f(k * angle) for k in range(1, harmonics + 1) for f in (np.cos, np.sin)]


def _only(region: int, column: Array, n_regions: int) -> Array:
    block = np.zeros((n_regions, len(column)))
    block[region] = column
    return block
