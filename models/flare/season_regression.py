r"""The regression member: counts from region, season, slow level, weather, exposure and shocks.

The count of region *r* in week *w* is negative binomial with

.. math:: \log \mu_{r,w} = o_{r,w} + a + a_r + \sum_k (b_k + b_{k,r})\, h_k(w) + t(w)
          + l(w) + \sum_d c_d\, x_{d,r,w} + s_w,

*o* the known part (for flare visits the log of the other consultations of that week and of the
share that cover lets be seen), *h* annual waves, *t* the turn of the year and *l* the slow level
(:mod:`models.flare.season_terms`), *x* the lagged anomalies of :mod:`models.flare.drivers` and *s*
the shared shock of :mod:`models.flare.shocks`, which corrects the level by the newest weeks and
fades with lead. Region terms are pooled: each has a normal prior around the common value, whose
spread is learnt (:mod:`models.flare.prior_pooling`). All starting values stand in ``flare.toml``.

Neighbouring weeks share their shock, so they tell less than as many independent weeks. With the
shock's share *q* of the weekly variance and its persistence *phi*, the likelihood is taken to the
power of one over ``1 + 2 q phi / (1 - phi)``, the variance inflation of a mean of such a series:
without it the slow level follows every single epidemic or flea year.

Two kinds of level are on offer: ``wandering`` for forecasts, and ``linear``, with the table's
priors as they stand, where effects are tested (:mod:`models.flare.attribution`).

Draws combine five sources of spread: the coefficients (normal around the fit), the weather of the
draw's trace, the level that wanders on, the shared shock, and the count itself. They do not hold
the error of the model's form; the other members are there for that.

Known failures: a practice with fewer than two years of visits has hardly more season in its data
than in the prior; a season that shifts from year to year is drawn too sure of its dates.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from models.flare.drivers import WEATHER_DRIVERS
from models.flare.known_counts import LARGEST_LOG_MEAN
from models.flare.negative_binomial_fit import NegativeBinomialFit, fit_negative_binomial
from models.flare.prior_pooling import fit_pooled
from models.flare.season_terms import (
    TURN_OF_YEAR,
    level_steps,
    season,
    wave_names,
    waves,
    years_since,
)
from models.flare.shocks import SharedShock, variance_inflation
from models.parameters import load_table
from models.streams import DrawStreams
from models.weeks import WEEKS_IN_YEAR

Array = NDArray[np.float64]
Level = Literal["wandering", "linear"]
_STEP = "level step"


@dataclass(frozen=True)
class Terms:
    """Names, prior standard deviations and prior groups of the terms of one design."""

    names: list[str] = field(default_factory=list)
    prior_sd: list[float] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)

    def add(self, name: str, prior_sd: float, group: str = "") -> None:
        """Append a term with a normal prior; terms of one group share what is learnt of it."""
        self.names.append(name)
        self.prior_sd.append(prior_sd)
        self.groups.append(group)


class SeasonRegression(BaseEstimator):  # type: ignore[misc]
    """Negative-binomial regression of weekly counts of several regions.

    Parameters
    ----------
    drivers
        Drivers that may enter, by name; an empty tuple gives season and level alone.
    driver_prior
        Whether the drivers carry the table's priors; a test of their effects wants none.
    level
        ``wandering`` or ``linear``, see the module.

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
    n_steps_
        Number of the level's steps; zero where it does not wander.
    regions_, last_week_
        Regions known to the fit; the week the level is counted from.
    seen_until_
        The last week that the shared shock's state was told of.
    """

    def __init__(
        self, drivers: tuple[str, ...] = (), *, driver_prior: bool = True, level: Level = "linear"
    ) -> None:
        self.drivers = drivers
        self.driver_prior = driver_prior
        self.level = level

    def fit(
        self,
        counts: xr.DataArray,
        offset: xr.DataArray,
        anomalies: xr.DataArray,
        *,
        full: xr.DataArray | None = None,
    ) -> Self:
        """Fit to counts.

        Parameters
        ----------
        counts
            Dims ``(region, week)``; NaN where nothing was reported.
        offset
            Known part of the log-mean, same dims.
        anomalies
            Dims ``(driver, region, week)``; may reach beyond the counts in time.
        full
            Weeks in which at least as many as counted would have come, same dims; None is none.
        """
        self.regions_ = [str(r) for r in counts["region"].values]
        self.last_week_ = self.seen_until_ = np.datetime64(counts["week"].values[-1], "D")
        per_year = load_table("models.flare", "flare.toml").number("level.steps_per_year")
        span = counts.sizes["week"] / WEEKS_IN_YEAR
        self.n_steps_ = int(span * per_year) if self.level == "wandering" else 0
        terms = self._terms()
        design, y, known_part, use = self.rows(counts, offset, anomalies)
        cut = None if full is None else full.transpose("region", "week").values[use]

        def refit(precision: Array) -> NegativeBinomialFit:
            return fit_negative_binomial(
                design[use], y[use], offset=known_part[use], precision=precision, censored=cut
            )

        prior_sd = np.array(terms.prior_sd)
        self.terms_ = terms.names
        shown = _shown(use, full)
        self._take(refit(1.0 / prior_sd**2), design, y, known_part, shown)
        if self.level == "wandering":
            seen = self._seen(design, y, known_part, shown)
            inflation = variance_inflation(self.shock_, *seen, size=self.size_)
            found = fit_pooled(refit, prior_sd, terms.groups, inflation=inflation)
            self._take(found, design, y, known_part, shown)
        return self

    def _take(
        self,
        found: NegativeBinomialFit,
        design: Array,
        y: Array,
        known_part: Array,
        use: NDArray[np.bool_],
    ) -> None:
        self.total_size_ = found.size
        self.coefficients_, self.covariance_ = found.coefficients, found.covariance
        self._split_dispersion(*self._seen(design, y, known_part, use), size=found.size)

    def updated(
        self,
        counts: xr.DataArray,
        offset: xr.DataArray,
        anomalies: xr.DataArray,
        *,
        full: xr.DataArray | None = None,
    ) -> Self:
        """Return the same fit with the shared shock as it stands after these counts.

        Parameters are those of `fit`, with the regions of the fit. On the counts of the fit the
        result is equal to it, to the last bit.
        """
        member = copy(self)
        design, y, known_part, use = self.rows(counts, offset, anomalies)
        seen = self._seen(design, y, known_part, _shown(use, full))
        member.shock_ = self.shock_.after(*seen, size=self.size_)
        member.seen_until_ = np.datetime64(counts["week"].values[-1], "D")
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
        fixed = self.fixed_design(counts["week"].values)
        moving = self._moving_design(anomalies, counts["week"].values)
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

    # ---------------------------------------------------------------------------- ahead
    def coefficient_draws(self, streams: DrawStreams) -> Array:
        """Draw coefficients around the fit, shape ``(draw, term)``."""
        root = np.linalg.cholesky(self.covariance_ + 1e-12 * np.eye(len(self.covariance_)))
        draws: Array = self.coefficients_ + streams.shared_normal(len(self.terms_)) @ root.T
        return draws

    def driver_effect(self, anomalies: xr.DataArray, coefficients: Array | None = None) -> Array:
        """Return what the drivers add to the log-mean.

        Without `coefficients` the fitted ones are taken, shape ``(region, week)``, zero where a
        driver is not known; with draws of them, shape ``(draw, region, week)``.
        """
        if not self.drivers:
            shape = [anomalies.sizes[d] for d in ("draw", "region", "week") if d in anomalies.dims]
            return np.zeros(shape)
        n_drivers = len(self.drivers)
        chosen = anomalies.sel(driver=list(self.drivers))
        if coefficients is None:
            x = chosen.transpose("driver", "region", "week").values
            effect = np.einsum("drw,d->rw", x, self.coefficients_[-n_drivers:])
            return np.asarray(np.nan_to_num(effect))
        x = chosen.transpose("draw", "driver", "region", "week").values
        return np.asarray(np.einsum("idrw,id->irw", x, coefficients[:, -n_drivers:]))

    def draw(
        self,
        offset: xr.DataArray,
        anomalies: xr.DataArray,
        *,
        streams: DrawStreams,
        coefficients: Array | None = None,
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
        coefficients
            Draws of `coefficient_draws`, where the caller needs them too.

        Returns
        -------
        xarray.DataArray
            Counts, dims ``(draw, region, week)``.
        """
        offset = offset.transpose("draw", "region", "week")
        b = self.coefficient_draws(streams) if coefficients is None else coefficients
        fixed = self.fixed_design(offset["week"].values)
        eta = offset.values + np.einsum("rwt,it->irw", fixed, b[:, : fixed.shape[-1]])
        eta += self.driver_effect(anomalies.sel(week=offset["week"]), b)
        eta += self._wander(offset["week"].values, streams)[:, None, :]
        chance = streams.shared_normal(1 + offset.sizes["week"])
        eta += self.shock_before(offset["week"].values[0]).paths(chance)[:, None, :]
        mean = np.exp(np.clip(eta, None, LARGEST_LOG_MEAN))
        return offset.copy(data=streams.own_counts(mean, size=self.size_))

    def shock_before(self, week: np.datetime64) -> SharedShock:
        """Return the shared shock as it stands after the week before one ahead.

        Counts may end weeks before it: the shock has faded since then, and is known less well.
        """
        weeks = (week.astype("datetime64[D]") - self.seen_until_) // np.timedelta64(7, "D")
        return self.shock_.later(int(weeks) - 1)

    def _wander(self, weeks: NDArray[np.datetime64], streams: DrawStreams) -> Array:
        """Return how far the level goes from the last week on, shape ``(draw, week)``."""
        if not self.n_steps_:
            return np.zeros((streams.n_draws, len(weeks)))
        level_sd = load_table("models.flare", "flare.toml").number("prior.level_sd")
        years = np.maximum(years_since(weeks, self.last_week_), 0.0)
        spread = level_sd * np.sqrt(np.diff(years, prepend=0.0).clip(0.0))
        return np.asarray(np.cumsum(streams.shared_normal(len(weeks)) * spread, axis=1))

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

    # ---------------------------------------------------------------------------- as data
    def to_dict(self) -> dict[str, Any]:
        """Return everything a draw needs as plain values and arrays."""
        shock = self.shock_
        known = not np.isnan(self.total_size_)
        return ({"total_size": _number(self.total_size_)} if known else {}) | {
            "drivers": list(self.drivers),
            "level": self.level,
            "regions": self.regions_,
            "terms": self.terms_,
            "last_week": str(self.last_week_),
            "seen_until": str(self.seen_until_),
            "n_steps": self.n_steps_,
            "coefficients": self.coefficients_,
            "covariance": self.covariance_,
            "size": _number(self.size_),
            "shock": np.array(
                [shock.spread, shock.persistence, shock.state_mean, shock.state_variance]
            ),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Self:
        """Make a fitted member from what `to_dict` returned."""
        member = cls(tuple(stored["drivers"]), level=stored["level"])
        member.regions_ = list(stored["regions"])
        member.terms_ = list(stored["terms"])
        member.last_week_ = np.datetime64(stored["last_week"], "D")
        # one stored before it was kept had just been fitted
        member.seen_until_ = np.datetime64(stored.get("seen_until", stored["last_week"]), "D")
        member.n_steps_ = int(stored["n_steps"])
        member.coefficients_ = np.asarray(stored["coefficients"], dtype=float)
        member.covariance_ = np.asarray(stored["covariance"], dtype=float)
        member.size_ = _size(stored["size"])
        # not known of one stored before it was kept
        member.total_size_ = _size(stored["total_size"]) if "total_size" in stored else float("nan")
        member.shock_ = SharedShock(*(float(v) for v in stored["shock"]))
        return member

    # ---------------------------------------------------------------------------- design
    def _terms(self) -> Terms:
        table = load_table("models.flare", "flare.toml")
        terms = Terms()
        terms.add("level", table.number("prior.intercept_sd"))
        for region in self.regions_:
            terms.add(f"level of {region}", table.number("prior.region_sd"), "region")
        for k, wave in wave_names(int(table.number("season.harmonics"))):
            terms.add(f"season {k}{wave}", table.number("prior.season_sd") / k, f"season {k}")
        for name in TURN_OF_YEAR:
            terms.add(name, table.number("prior.turn_of_year_sd"), "turn")
        for region in self.regions_:
            for k, wave in wave_names(int(table.number("season.region_harmonics"))):
                prior_sd = table.number("prior.region_season_sd") / k
                terms.add(f"season {k}{wave} of {region}", prior_sd, f"own season {k}")
        if self.level == "linear":
            terms.add("trend", table.number("prior.trend_sd"))
        step_sd = table.number("prior.level_sd") / np.sqrt(table.number("level.steps_per_year"))
        for number in range(1, self.n_steps_ + 1):
            # learnt from the data it follows single epidemics: the table's spread stands
            terms.add(f"{_STEP} {number}", float(step_sd))
        for driver in self.drivers:
            kind = "weather" if driver in WEATHER_DRIVERS else "exposure"
            prior_sd = table.number(f"prior.{kind}_sd") if self.driver_prior else np.inf
            terms.add(driver, prior_sd)
        return terms

    def fixed_design(self, weeks: NDArray[np.datetime64]) -> Array:
        """Return level and season, shape ``(region, week, term)``; drivers come after them."""
        table = load_table("models.flare", "flare.toml")
        n_regions, n_weeks = len(self.regions_), len(weeks)
        years = years_since(weeks, self.last_week_)
        own_waves = waves(weeks, int(table.number("season.region_harmonics")))
        shared = season(weeks, int(table.number("season.harmonics")))
        per_year = table.number("level.steps_per_year")
        if self.level == "linear":
            slow = years[:, None]
        else:
            slow = level_steps(years, n_steps=self.n_steps_, steps_per_year=per_year)
        one = np.ones((n_weeks, 1))
        parts = [
            _for_all(one, n_regions),
            _region_by_region(one, n_regions),
            _for_all(shared, n_regions),
            _region_by_region(own_waves, n_regions),
            _for_all(slow, n_regions),
        ]
        return np.concatenate(parts, axis=-1)

    def _moving_design(self, anomalies: xr.DataArray, weeks: NDArray[np.datetime64]) -> Array:
        if not self.drivers:
            return np.zeros((len(self.regions_), len(weeks), 0))
        chosen = anomalies.sel(driver=list(self.drivers), week=weeks, region=self.regions_)
        values: Array = chosen.transpose("region", "week", "driver").values.astype(float)
        return values


def _shown(use: NDArray[np.bool_], full: xr.DataArray | None) -> NDArray[np.bool_]:
    """Leave out full weeks: how many would have come is hidden, so they tell nothing of shocks."""
    return use if full is None else use & ~full.transpose("region", "week").values


def _for_all(columns: Array, n_regions: int) -> Array:
    """Give every region the same columns ``(week, term)``."""
    return np.broadcast_to(columns, (n_regions, *columns.shape))


def _region_by_region(columns: Array, n_regions: int) -> Array:
    """Give each region the columns ``(week, term)`` as terms of its own, zero elsewhere."""
    block = np.einsum("rs,wt->rwst", np.eye(n_regions), columns)
    found: Array = block.reshape(n_regions, len(columns), -1)
    return found


def _number(size: float) -> float | str:
    """Write an infinite size as a word: JSON has no number for it."""
    return size if np.isfinite(size) else "Poisson"


def _size(stored: float | str) -> float:
    return float("inf") if stored == "Poisson" else float(stored)
