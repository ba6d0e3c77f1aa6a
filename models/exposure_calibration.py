r"""Exposure calibrated by pollen that was counted, or modelled by others: scale, onset, response.

Where daily concentrations of a plant are held beside the modelled index, three things are learnt
from them:

*scale*
    what a mean season of the index brings, :math:`\kappa` [d m-3], from sums over the same days;
*onset*
    how much later than modelled the season is in a region, from the onset's error of each past
    season that `models.exposure_state` finds, drawn towards the mean of all regions, and that
    towards none; what they scatter about it, with the catalogue's spread as some years more, is
    the spread left. A region without counts takes the mean of the others;
*response*
    the power :math:`\gamma` of the release factor, from day-to-day changes in season,
    :math:`\Delta \log c = \gamma\,\Delta \log f + \mathrm{noise}`, drawn towards one.

Measured and modelled concentrations never meet in one series of a region; modelled ones carry more
noise. Classes of an index are no concentrations and are not read.

Validity: regions with counts of their own for at least one season. Known failures: a trap that
moved looks like a year of another amount; the response is that of whole days.

References
----------
Galan C. et al. 2017. Aerobiologia 33:293-295 (integrals and their units). Sofiev M. et al. 2017.
Atmospheric Chemistry and Physics 17:12341-12360 (an onset fixed by measured seasons).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.exposure import daily_exposure, mean_season_total, release, scaled_exposure
from models.exposure_counts import (
    COUNTS,
    MEASURED,
    CountScale,
    count_noise,
    laid_beside,
    windows_of,
)
from models.exposure_state import RegionState, prior_odds, shifts
from models.parameters import load_table
from models.season import season_rates
from models.season.years import SeasonWindow

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class PastSeasons:
    """Scaled season rate [d-1], release factor [1] and counts [m-3], dims (region, time)."""

    rate: xr.DataArray
    released: xr.DataArray
    counts: xr.DataArray
    scale: CountScale


@dataclass(frozen=True)
class Calibration:
    """What counts said of some allergens.

    Attributes
    ----------
    learnt
        ``counts_scale`` [d m-3], ``counts_scale_log_sd`` and ``counts_measured``, dims (counted,
        region), NaN in regions without counts; ``counts_shift`` [d], same dims;
        ``counts_onset_sd`` [d] and ``counts_release_power``, dims (counted,).
    """

    learnt: xr.Dataset

    @property
    def release_powers(self) -> dict[str, float]:
        """Power of the release factor by allergen."""
        power = self.learnt["counts_release_power"]
        return {str(a): float(power.sel(counted=a)) for a in power["counted"].values}

    def shift_of(self, allergen: str) -> float | xr.DataArray:
        """Return by how much later than modelled an allergen's season is, by region [d]."""
        if allergen not in self.release_powers:
            return 0.0
        return self.learnt["counts_shift"].sel(counted=allergen, drop=True)

    def spread_of(self, allergen: Allergen) -> float:
        """Return the standard deviation of the onset's error [d]."""
        if allergen.id not in self.release_powers:
            return allergen.number("onset_spread")
        return float(self.learnt["counts_onset_sd"].sel(counted=allergen.id))

    def scale_of(self, allergen: str) -> CountScale | None:
        """Return the scale of an allergen's counts; None where it was never counted."""
        if allergen not in self.release_powers:
            return None
        one = self.learnt.sel(counted=allergen)
        return CountScale(
            one["counts_scale"].values,
            one["counts_scale_log_sd"].values,
            one["counts_measured"].values.astype(bool),
        )

    def to_dataset(self) -> xr.Dataset:
        """Return everything as one dataset."""
        return self.learnt

    @classmethod
    def from_dataset(cls, stored: xr.Dataset) -> Calibration | None:
        """Make the calibration from a dataset that may hold one."""
        names = [str(n) for n in stored.data_vars if str(n).startswith("counts_")]
        return cls(stored[names]) if names else None


def calibrate(
    weather: xr.Dataset,
    allergens: Sequence[Allergen],
    counts: xr.Dataset,
    *,
    shift_days: Mapping[str, xr.DataArray],
) -> Calibration | None:
    """Learn scale, onset and response from counts.

    Parameters
    ----------
    weather
        Daily weather of the training years, dims (region, time).
    allergens
        Catalogue entries that are modelled.
    counts
        ``counts`` (allergen, region, time) [m-3], NaN where not counted, and ``measured``
        (allergen, region).
    shift_days
        Shifts known before, by allergen [d].

    Returns
    -------
    Calibration or None
        None where no airborne allergen has counts from which a scale can be read.
    """
    released, found = release(weather), {}
    for allergen in allergens:
        if not allergen.is_airborne or allergen.id not in counts["allergen"].values:
            continue
        seen, measured = counts_of(counts, allergen.id, weather)
        if not bool(seen.notnull().any()):
            continue
        rate = season_rates(weather, [allergen], shift_days=shift_days)[allergen.id]
        rate = rate.transpose("region", "time")
        power = release_power(seen, rate, released.transpose("region", "time"))
        raw = daily_exposure(weather, allergen, rate, released=released**power)
        total = mean_season_total(raw, allergen)
        scale = count_scale(scaled_exposure(raw, total), seen, measured, allergen)
        if np.isnan(scale.scale).all():
            continue
        past = PastSeasons(scaled_exposure(rate, total), released**power, seen, scale)
        shift, spread = onset_shifts(past, allergen)
        found[allergen.id] = (scale, shift, spread, power)
    return None if not found else Calibration(_as_dataset(found, weather["region"].values))


def _as_dataset(
    found: Mapping[str, tuple[CountScale, _Array, float, float]], regions: NDArray[np.object_]
) -> xr.Dataset:
    dims, one = ("counted", "region"), ("counted",)
    parts = list(found.values())
    return xr.Dataset(
        {
            "counts_scale": (dims, np.stack([p[0].scale for p in parts])),
            "counts_scale_log_sd": (dims, np.stack([p[0].log_sd for p in parts])),
            "counts_measured": (dims, np.stack([p[0].measured for p in parts]).astype(np.int8)),
            "counts_shift": (dims, np.stack([p[1] for p in parts])),
            "counts_onset_sd": (one, np.array([p[2] for p in parts])),
            "counts_release_power": (one, np.array([p[3] for p in parts])),
        },
        coords={"counted": list(found), "region": regions},
    )


def counts_of(
    counts: xr.Dataset, allergen: str, like: xr.Dataset
) -> tuple[xr.DataArray, NDArray[np.bool_]]:
    """Return one allergen's counts on the regions and days of the weather; which are measured."""
    one = counts.sel(allergen=allergen, drop=True).reindex(region=like["region"].values)
    values = one[COUNTS].reindex(time=like["time"].values).transpose("region", "time")
    return values, one[MEASURED].fillna(0).values.astype(bool)


def release_power(counts: xr.DataArray, rate: xr.DataArray, released: xr.DataArray) -> float:
    """Return the power of the release factor that day-to-day changes of counts speak for.

    Parameters
    ----------
    counts
        Dims (region, time) [m-3].
    rate
        Season rate of the same days [d-1].
    released
        Release factor of the same days [1].
    """
    table = load_table("models", "exposure_counts.toml")
    epsilon = table.number("detection")
    in_season = (rate.values > epsilon) & (counts.values > 0) & (released.values > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.diff(np.log(counts.values / rate.values), axis=-1)
        weather = np.diff(np.log(released.values), axis=-1)
    used = in_season[:, 1:] & in_season[:, :-1] & np.isfinite(change) & np.isfinite(weather)
    if used.sum() < table.number("release.least_days"):
        return 1.0
    x, y = weather[used], change[used]
    prior = table.number("release.prior_log_sd") ** -2
    noise = max(float(np.var(y - x)), 1e-6)
    # changes of neighbouring days share a count: each is worth half
    found = (0.5 * float(x @ y) / noise + prior) / (0.5 * float(x @ x) / noise + prior)
    low, high = np.array(table["release.bounds"].value, dtype=float)
    return float(np.clip(found, low, high))


def count_scale(
    index: xr.DataArray, counts: xr.DataArray, measured: NDArray[np.bool_], allergen: Allergen
) -> CountScale:
    """Return what a mean season of the index brings in each region, from seasons counted.

    Parameters
    ----------
    index
        Scaled index, dims (region, time), with ``latitude`` [d-1].
    counts
        Same dims and days [m-3].
    measured
        By region.
    allergen
        Whose windows and amounts.
    """
    table = load_table("models", "exposure_counts.toml")
    amount_sd = allergen.number("year_amount_log_sd")
    held = ~np.isnan(index.values) & ~np.isnan(counts.values)
    found: dict[int, list[tuple[float, float, bool]]] = {}
    for place, window in windows_of(index, allergen):
        span = slice(max(window.first, 0), window.stop)
        both = held[place, span]
        brought = float(index.values[place, span][both].sum())
        counted = float(counts.values[place, span][both].sum())
        if brought >= table.number("scale.least_share") and counted > 0:
            whole = window.stop <= index.sizes["time"]
            found.setdefault(place, []).append((counted, brought, whole))
    scale, log_sd = np.full((2, len(index)), np.nan)
    for place, seasons in found.items():
        used = [s for s in seasons if s[2]] or seasons
        scale[place] = sum(s[0] for s in used) / sum(s[1] for s in used)
        log_sd[place] = amount_sd / np.sqrt(len(used))
        if not used[0][2]:
            log_sd[place] = table.number("scale.season_to_come_log_sd")
    return CountScale(scale, log_sd, measured)


def onset_shifts(past: PastSeasons, allergen: Allergen) -> tuple[_Array, float]:
    """Return how much later than modelled each region's season is, and the spread left.

    Parameters
    ----------
    past
        What was modelled and counted.
    allergen
        Whose windows, and whose spread without counts.

    Returns
    -------
    shift
        By region [d].
    spread
        Standard deviation of a year's error about it [d].
    """
    prior = load_table("models", "exposure_counts.toml").number("shift.prior_years")
    spread, found = allergen.number("onset_spread"), []
    for place, window in windows_of(past.rate, allergen):
        if window.stop <= past.rate.sizes["time"] and np.isfinite(past.scale.scale[place]):
            seen = _onset_error(past, allergen, place=place, window=window)
            if seen is not None:
                found.append((place, window.year, *seen))
    if not found:
        return np.zeros(len(past.rate)), spread
    table = pd.DataFrame(found, columns=["place", "year", "error", "variance"])
    n_years = table["year"].nunique()
    common = table.groupby("place")["error"].mean().mean() * n_years / (n_years + prior)
    shift = np.full(len(past.rate), common)
    for number, errors in table.groupby("place")["error"]:
        shift[int(str(number))] = (errors.sum() + prior * common) / (len(errors) + prior)
    left = (table["error"] - shift[table["place"]]) ** 2 + table["variance"]
    squares = float(left.groupby(table["year"]).mean().sum())
    return shift, float(np.sqrt((prior * spread**2 + squares) / (prior + n_years)))


def _onset_error(
    past: PastSeasons, allergen: Allergen, *, place: int, window: SeasonWindow
) -> tuple[float, float] | None:
    """Return mean and variance of the onset's error of one past season [d], [d2]."""
    first, scale = max(window.first, 0), past.scale
    values = past.counts.values[place, first : window.stop] / scale.scale[place]
    if not np.nansum(values) > 0:
        return None
    laid = laid_beside(
        past.rate.values[place],
        past.released.values[place],
        values,
        first=first,
        log_sd=float(np.hypot(scale.log_sd[place], allergen.number("year_amount_log_sd"))),
        noise=count_noise(measured=bool(scale.measured[place])),
    )
    if laid is None:
        return None
    odds = prior_odds(allergen.number("onset_spread"))
    with np.errstate(divide="ignore"):
        logs = np.log(odds) + RegionState(laid, 0.0).evidence.log_odds
    odds = np.exp(logs - logs.max())
    odds /= odds.sum()
    mean = float(odds @ shifts())
    return mean, float(odds @ (shifts() - mean) ** 2)
