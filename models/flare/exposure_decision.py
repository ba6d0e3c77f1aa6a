r"""Exposure kept or left out: one decision for all regions, on the loss it saves, once a year.

Effects of exposure on itch in dogs are small or none where they were looked for, and a practice has
few seasons. So whether exposure enters the forecast is not decided region by region or week by
week. Each past season is foretold twice from all the others, with exposure and without, by the
regression of :mod:`models.flare.season_regression` with the drivers as they then were; weeks next
to the season are left out too, as shocks last. The loss is the CRPS of the negative binomial [flare
visits], over all regions, and its ratio has an interval drawn from whole seasons. Exposure is

============= ====================================================================================
kept          the whole interval of the ratio lies below one
left out      it does not
not yet known fewer seasons than it takes; left out until then
============= ====================================================================================

Seasons are whole years back from the last week, which is that before the review day
(:mod:`models.flare.yearly_review`).

Regions that rise and fall together tell less than as many regions apart: with *rho* the intraclass
correlation of the regions' saved losses, in blocks of weeks, *R* regions of *S* seasons count as

.. math:: \frac{R\,S}{1 + (R - 1)\,\rho}

region-seasons. Humidity's effect is given with exposure beside it and without: damp air lifts itch
and holds pollen down, so what the two share may be credited to either.

The loss is that of weather known. A forecast knows it for days, so what exposure saves there is
less; a driver that saves nothing even so is no use.

Known failures: seasons that are unlike (one pollen year in five that matters) are few; the interval
widens for their number, so a true but small effect stays out for years. Where the season spans New
Year, a block holds the end of one and the start of the next.

References
----------
Gneiting T. & Raftery A.E. 2007, Journal of the American Statistical Association 102:359-378 (CRPS);
Kish L. 1965, Survey Sampling, chapter 5 (design effect of clusters); Donner A. 1986, International
Statistical Review 54:67-82 (intraclass correlation by analysis of variance).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Self

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.flare.drivers import WEATHER_DRIVERS
from models.flare.season_regression import SeasonRegression
from models.parameters import load_table
from models.scores import block_bootstrap_ratio, crps_negative_binomial

Array = NDArray[np.float64]
KEPT, LEFT_OUT, NOT_YET_KNOWN = "kept", "left out", "not yet known"
_SEED = 1  # of the resampling: the decision must not hang on a forecast's seed
_REPLICATES = 2000
_WEEKS_A_SEASON = 52
_STILL = 1e-9  # departures that spread by less are sums of rounding


@dataclass(frozen=True)
class Effect:
    """Effect of one standard deviation on the log of flare visits, and its 90 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class ExposureDecision:
    """Whether exposure enters the forecast, and what that rests on.

    Attributes
    ----------
    verdict
        ``kept``, ``left out`` or ``not yet known``.
    groups
        Exposure groups that were tried.
    ratio, low, high
        Loss with exposure over that without, and its 90 % interval; NaN where not known.
    seasons
        Seasons with counts.
    region_seasons, effective
        Regions times seasons that were foretold, and how many independent ones they are worth; none
        where nothing is decided yet.
    humidity_with, humidity_without
        Humidity's effect with exposure in the fit and without; None where it cannot be told.
    shared
        Share of humidity's departures that goes with those of exposure [1]; NaN where not known.
    together
        Whether damper weeks go with more exposure (positive) or less (negative): the correlation of
        humidity with the sum of the groups [1]; NaN where not known.
    """

    verdict: str
    groups: tuple[str, ...]
    ratio: float
    low: float
    high: float
    seasons: int
    region_seasons: int
    effective: float
    humidity_with: Effect | None
    humidity_without: Effect | None
    shared: float
    together: float

    @property
    def is_kept(self) -> bool:
        """Whether exposure enters the forecast."""
        return self.verdict == KEPT

    def drivers(self, names: Sequence[str]) -> tuple[str, ...]:
        """Return those of the drivers that enter the forecast."""
        return tuple(n for n in names if self.is_kept or n in WEATHER_DRIVERS)

    def to_dict(self) -> dict[str, Any]:
        """Return the decision as plain values; numbers that are not known as None."""
        plain = asdict(self) | {"groups": list(self.groups)}
        return {k: None if isinstance(v, float) and np.isnan(v) else v for k, v in plain.items()}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Self:
        """Make a decision from what `to_dict` returned."""
        number = {k: np.nan if stored[k] is None else float(stored[k]) for k in _NUMBERS}
        effects = {k: None if stored[k] is None else Effect(**stored[k]) for k in _EFFECTS}
        return cls(**{**stored, **number, **effects, "groups": tuple(stored["groups"])})


_NUMBERS = ("ratio", "low", "high", "effective", "shared", "together")
_EFFECTS = ("humidity_with", "humidity_without")


def decide_on_exposure(
    counts: xr.DataArray,
    offset: xr.DataArray,
    anomalies: xr.DataArray,
    *,
    full: xr.DataArray | None = None,
) -> ExposureDecision | None:
    """Decide whether exposure enters forecasts; None where there is no exposure.

    Parameters
    ----------
    counts, offset
        Flare visits and known part of their log-mean, dims ``(region, week)``, up to the review
        day; NaN where not known.
    anomalies
        Lagged anomalies of the drivers, dims ``(driver, region, week)``, covering the same weeks.
    full
        Weeks of a full diary, same dims as the counts, see `SeasonRegression.fit`.
    """
    names = [str(d) for d in anomalies["driver"].values]
    groups = tuple(n for n in names if n not in WEATHER_DRIVERS)
    if not groups:
        return None
    weeks = counts["week"].values
    cut = _Cut(
        counts.transpose("region", "week"),
        offset.transpose("region", "week"),
        anomalies.transpose("driver", "region", "week").sel(week=weeks, region=counts["region"]),
        full,
    )
    season = _seasons(len(weeks))
    n_seasons = _known_seasons(cut.counts.notnull().values & cut.offset.notnull().values, season)
    enough = n_seasons >= load_table("models.flare", "flare.toml").number("decision.seasons")
    losses = np.full((2, *cut.counts.shape), np.nan)
    if enough:
        losses = _losses(cut, season, (tuple(names), tuple(n for n in names if n not in groups)))
    ratio = block_bootstrap_ratio(
        losses[0], losses[1], season, seed=_SEED, few_blocks=True, replicates=_REPLICATES
    )
    region_seasons, effective = _effective(losses[1] - losses[0], season)
    helped = KEPT if ratio.high < 1.0 else LEFT_OUT
    shared, together = _shared(cut, groups)
    return ExposureDecision(
        helped if enough else NOT_YET_KNOWN,
        groups,
        ratio.ratio,
        ratio.low,
        ratio.high,
        n_seasons,
        region_seasons,
        effective,
        _humidity(cut, tuple(names)),
        _humidity(cut, tuple(n for n in names if n not in groups)),
        shared,
        together,
    )


@dataclass(frozen=True)
class _Cut:
    """What is known before the review day."""

    counts: xr.DataArray
    offset: xr.DataArray
    anomalies: xr.DataArray
    full: xr.DataArray | None

    def fit(self, drivers: tuple[str, ...], use: NDArray[np.bool_]) -> SeasonRegression | None:
        """Fit to some of the weeks; None where they hold no count."""
        kept = self.counts.where(xr.DataArray(use, dims="week"))
        if not bool((kept.notnull() & self.offset.notnull()).any()):
            return None
        return SeasonRegression(drivers, level="wandering").fit(
            kept, self.offset, self.anomalies, full=self.full
        )

    @property
    def whole(self) -> NDArray[np.bool_]:
        return np.ones(self.counts.sizes["week"], dtype=bool)


def _seasons(n_weeks: int) -> Array:
    """Return the number of each week's season, back from the last: 0, 1, ...

    The oldest weeks, when they are no whole year, have -1: learnt from, and not foretold.
    """
    season = np.arange(n_weeks)[::-1] // _WEEKS_A_SEASON
    return np.where(season < n_weeks // _WEEKS_A_SEASON, season.astype(float), -1.0)


def _known_seasons(known: NDArray[np.bool_], season: Array) -> int:
    return len(np.unique(season[known.any(0) & (season >= 0)]))


def _losses(cut: _Cut, season: Array, arms: tuple[tuple[str, ...], ...]) -> Array:
    """Foretell each season from the others, with the drivers of each arm.

    Returns losses ``(arm, region, week)``, NaN where not known.
    """
    apart = int(load_table("models.flare", "flare.toml").number("decision.weeks_apart"))
    losses = np.full((len(arms), *cut.counts.shape), np.nan)
    for number in np.unique(season[season >= 0]):
        held = np.flatnonzero(season == number)
        use = np.ones(len(season), dtype=bool)
        use[max(held[0] - apart, 0) : held[-1] + 1 + apart] = False
        for arm, drivers in enumerate(arms):
            fitted = cut.fit(drivers, use)
            if fitted is not None:
                losses[arm][:, held] = _loss(fitted, cut)[:, held]
    return losses


def _loss(fitted: SeasonRegression, cut: _Cut) -> Array:
    design, y, known_part, use = fitted.rows(cut.counts, cut.offset, cut.anomalies)
    if cut.full is not None:  # a full diary hides how many would have come
        use &= ~cut.full.transpose("region", "week").values
    loss = np.full(y.shape, np.nan)
    mean = np.exp(known_part[use] + design[use] @ fitted.coefficients_)
    loss[use] = crps_negative_binomial(y[use], mean, np.full(mean.shape, fitted.total_size_))
    return loss


def _effective(saved: Array, season: Array) -> tuple[int, float]:
    """Return region-seasons with losses, and how many independent ones they are worth.

    `saved` has dims ``(region, week)``.
    """
    known = np.isfinite(saved)
    seasons = [known[:, season == s].any(1).sum() for s in np.unique(season[season >= 0])]
    number = int(sum(seasons))
    n_regions = number / max(sum(n > 0 for n in seasons), 1)
    if number == 0:
        return 0, float("nan")
    rho = _intraclass(saved, known)
    return number, float(number / (1.0 + (n_regions - 1.0) * rho))


def _intraclass(saved: Array, known: NDArray[np.bool_]) -> float:
    """Return how alike regions are within blocks of weeks, from 0 to 1."""
    width = int(load_table("models.flare", "flare.toml").number("decision.block_weeks"))
    saved, known = saved[known.any(1)], known[known.any(1)]
    starts = range(0, saved.shape[1] - width + 1, width)
    sums = np.array([np.where(known, saved, 0.0)[:, s : s + width].sum(1) for s in starts])
    whole = np.array([known[:, s : s + width].mean(1) > 0.5 for s in starts])
    rows = whole.all(1) if len(whole) else np.zeros(0, dtype=bool)
    values = sums[rows]
    if values.shape[0] < 2 or values.shape[1] < 2:
        return 0.0
    # branches differ in size: each region's losses in units of its own spread
    values = (values - values.mean(0)) / np.where(values.std(0) > 0, values.std(0), 1.0)
    n_regions = values.shape[1]
    between = n_regions * values.mean(1).var(ddof=1)
    within = values.var(axis=1, ddof=1).mean()
    total = between + (n_regions - 1) * within
    return float(np.clip((between - within) / total, 0.0, 1.0)) if total > 0 else 0.0


def _humidity(cut: _Cut, drivers: tuple[str, ...]) -> Effect | None:
    """Return humidity's effect beside the given drivers; None where humidity never moves."""
    humidity = "humidity"
    if humidity not in drivers or not float(cut.anomalies.sel(driver=humidity).std()) > _STILL:
        return None
    fitted = cut.fit(drivers, cut.whole)
    if fitted is None:
        return None
    effects = fitted.effects()
    row = effects.loc[effects["term"] == humidity, ["effect", "low", "high"]]
    return Effect(*(float(value) for value in row.to_numpy()[0]))


def _shared(cut: _Cut, groups: Sequence[str]) -> tuple[float, float]:
    """Return the share of humidity that goes with exposure, and its correlation with the sum."""
    if "humidity" not in cut.anomalies["driver"].values:
        return float("nan"), float("nan")
    x = cut.anomalies.sel(driver=list(groups)).values.reshape(len(groups), -1).T
    humid = cut.anomalies.sel(driver="humidity").values.ravel()
    use = np.isfinite(humid) & np.isfinite(x).all(1) & cut.counts.notnull().values.ravel()
    if use.sum() <= len(groups) + 1 or not humid[use].std() > _STILL:
        return float("nan"), float("nan")
    design = np.column_stack([np.ones(use.sum()), x[use]])
    fitted = design @ np.linalg.lstsq(design, humid[use], rcond=None)[0]
    summed = x[use].sum(1)
    together = np.corrcoef(summed, humid[use])[0, 1] if summed.std() > _STILL else float("nan")
    return float(fitted.var() / humid[use].var()), float(together)
