r"""Counts of a season in progress, laid beside the modelled index of every region.

What they say is worked out in :mod:`models.exposure_state`; here regions, days and windows are laid
out for it, and what it says is put on draws. In what unit a region's counts are read was learnt
from its past seasons (:mod:`models.exposure_calibration`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.exposure_state import Counted, RegionState, SeasonState, shifts
from models.parameters import load_table
from models.season.years import SeasonWindow, hemispheres, season_windows
from models.streams import DrawStreams

_Array = NDArray[np.float64]

COUNTS = "counts"
MEASURED = "measured"


@dataclass(frozen=True)
class CountScale:
    """In what unit the counts of one allergen are read in each region.

    Attributes
    ----------
    scale
        What a mean season brings; NaN in a region without counts [d m-3].
    log_sd
        Standard deviation of its logarithm [1].
    measured
        False where the concentrations are modelled by others.
    """

    scale: _Array
    log_sd: _Array
    measured: NDArray[np.bool_]


@dataclass(frozen=True)
class InSeason:
    """A season in progress as its counts see it.

    Attributes
    ----------
    state
        Odds of the onset's error, and amounts.
    first, stop
        Of each region, positions on the time axis: first day of its season and the first past it.
    """

    state: SeasonState
    first: NDArray[np.int64]
    stop: NDArray[np.int64]

    def applied(
        self, moved: xr.DataArray, errors: NDArray[np.int64], normal: _Array, own: _Array
    ) -> tuple[xr.DataArray, xr.DataArray]:
        """Return draws with their departures, and the factor of amount of each day.

        Parameters
        ----------
        moved
            Index of each draw, moved by its onset's error, dims (draw, region, time) [d-1].
        errors
            Those errors, in whole days.
        normal
            Shared standard normal numbers, dims (draw, 2): of the season in progress, and of what
            comes after it.
        own
            Those of each region, dims (draw, region, 2).
        """
        n_days = moved.sizes["time"]
        days = [np.arange(a, b) - a for a, b in zip(self.first, self.stop, strict=True)]
        amount, departures = self.state.factors(errors, normal[:, 0], own, days=days)
        values = moved.values.copy()
        later = self.state.usual_amount(normal[:, 1])
        factor = np.repeat(later[:, None, None], n_days, axis=2).repeat(len(days), axis=1)
        epsilon = load_table("models", "exposure_counts.toml").number("detection")
        for place, left in enumerate(departures):
            span = slice(self.first[place], self.stop[place])
            factor[:, place, : self.stop[place]] = amount[:, place, None]
            if left is not None:
                part = values[:, place, span]
                values[:, place, span] = part * np.exp(part / (part + epsilon) * left)
        return moved.copy(data=values), moved.copy(data=factor)


def in_season(
    rate: xr.DataArray,
    released: xr.DataArray,
    counts: xr.DataArray,
    scale: CountScale,
    allergen: Allergen,
    *,
    onset_sd: float,
    origin: np.datetime64,
) -> InSeason | None:
    """Read the counts of the season in progress.

    Parameters
    ----------
    rate
        Scaled season rate along traces, dims (trace, region, time), with ``latitude`` [d-1].
    released
        Release factor, same dims [1].
    counts
        Dims (region, time); nothing from the origin on is read [m-3].
    scale
        From `count_scale`.
    allergen
        Whose season it is.
    onset_sd
        Standard deviation of the onset's error [d].
    origin
        First day not known.

    Returns
    -------
    InSeason or None
        None where no region's season is in progress with counts.
    """
    axis = pd.DatetimeIndex(rate["time"].values)
    now = int(axis.searchsorted(pd.Timestamp(origin)))
    rates, weather = (
        field.mean("trace", skipna=False).transpose("region", "time").values
        for field in (rate, released)
    )
    seen = counts.sel(time=counts["time"] < origin).reindex(
        region=rate["region"].values, time=axis[:now]
    )
    values = seen.transpose("region", "time").values / scale.scale[:, None]
    amount_sd = allergen.number("year_amount_log_sd")
    first, stop = np.zeros((2, len(rates)), dtype=np.int64)
    regions: list[RegionState | None] = [None] * len(rates)
    for place, window in windows_of(rate, allergen):
        if not window.first <= now < window.stop:
            continue
        first[place], stop[place] = _read_from(window, now), min(window.stop, len(axis))
        noise = count_noise(measured=bool(scale.measured[place]))
        seen_here = values[place, first[place] :]
        laid = laid_beside(
            rates[place],
            weather[place],
            seen_here,
            first=int(first[place]),
            log_sd=float(scale.log_sd[place]),
            noise=noise,
        )
        regions[place] = None if laid is None else RegionState(laid, amount_sd)
    if all(region is None for region in regions):
        return None
    return InSeason(SeasonState(regions, onset_sd=onset_sd, amount_sd=amount_sd), first, stop)


def laid_beside(
    rate: _Array, released: _Array, values: _Array, *, first: int, log_sd: float, noise: float
) -> Counted | None:
    """Lay counts from a day on beside rate and release; None where none can be used.

    Parameters
    ----------
    rate, released
        Of all days of the axis [d-1], [1].
    values
        Counts in units of their scale, from the day `first` on [d-1].
    first
        Position on the axis of their first day.
    log_sd, noise
        As of `Counted`.
    """
    counted = np.flatnonzero(~np.isnan(values))
    if not counted.size or not np.isfinite(log_sd):
        return None
    most, stop = int(shifts()[-1]), int(counted[-1]) + 1
    at = np.clip(np.arange(first - most, first + stop + most), 0, len(rate) - 1)
    around, weather = rate[at], released[first : first + stop]
    moved = np.lib.stride_tricks.sliding_window_view(around, 2 * most + 1)
    never = (moved == 0).all(axis=1)
    known = ~np.isnan(moved).any(axis=1) & (never | ~np.isnan(weather))
    values = np.where(known, values[:stop], np.nan)
    if np.isnan(values).all():
        return None
    return Counted(around, np.nan_to_num(weather), values, log_sd, noise)


def _read_from(window: SeasonWindow, now: int) -> int:
    days = int(load_table("models", "exposure_counts.toml").number("assimilated_days"))
    return max(window.first, now - days, 0)


def count_noise(*, measured: bool) -> float:
    """Return the standard deviation of the log of a count on its own [1]."""
    kind = "measured" if measured else "modelled"
    return load_table("models", "exposure_counts.toml").number(f"noise.{kind}")


def windows_of(field: xr.DataArray, allergen: Allergen) -> Iterator[tuple[int, SeasonWindow]]:
    """Give each region's position with each of its season windows."""
    days = pd.DatetimeIndex(field["time"].values)
    start, length = allergen.text("start"), int(allergen.number("window"))
    flat = field.isel(trace=0) if "trace" in field.dims else field
    for southern, places in hemispheres(flat.transpose("region", "time")):
        for window in season_windows(days, start, length, southern=southern):
            for place in np.flatnonzero(places):
                yield int(place), window


def draw_normals(streams: DrawStreams) -> tuple[_Array, _Array]:
    """Take the normal numbers that `InSeason.applied` needs beyond those drawn without counts."""
    shared = streams.shared_normal(1)[:, 0]
    own = streams.own(lambda stream, _, __: stream.standard_normal(2))
    return shared, np.asarray(own, dtype=float)
