"""The daily rate of a season: one call for every allergen, whatever drives it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.season.chill_heat import daily_forcing
from models.season.fraction import FuzzySeason, fuzzy_season
from models.season.heat_sum import daily_heat
from models.season.indoor_index import flea_rate, mite_rate
from models.season.short_day import daily_development
from models.season.weather_index import index_rate
from models.season.years import SeasonError, SeasonWindow, daily_axis, hemispheres, season_windows

_Array = NDArray[np.float64]
_Daily = Callable[[xr.Dataset, Allergen], xr.DataArray]

# What each family adds to its running sum a day, or, where no sum drives it, the rate itself.
_SUMMED: Mapping[str, _Daily] = {
    "heat sum": daily_heat,
    "chill then heat": daily_forcing,
    "day length": daily_development,
}
_INDICES: Mapping[str, _Daily] = {
    "weather index": index_rate,
    "absolute humidity": mite_rate,
    "flea development": flea_rate,
}


def season_rate(
    weather: xr.Dataset, allergen: Allergen, *, shift_days: float | xr.DataArray = 0.0
) -> xr.DataArray:
    """Return the share of a whole season that falls on each day, before weather holds it back.

    Parameters
    ----------
    weather
        Daily weather with a ``latitude`` coordinate, any leading dims (such as trace and region)
        and time without left-out days. Variables read: ``tas``, for some allergens ``tasmin`` and
        ``tasmax`` [degC], and for mites and fleas ``hurs`` [%].
    allergen
        From `models.allergens`.
    shift_days
        Days by which the season is later than the weather says, such as a region's offset; part
        days interpolate. A number, or along leading dims [d].

    Returns
    -------
    xarray.DataArray
        Same dims as the temperature [d-1]. Sums to one over a complete season of the heat-sum,
        chill-then-heat and day-length families, to about one over a year of the indices. Zero
        outside the allergen's window and in a year whose season never comes. NaN where the running
        sum is not known, because the weather begins within the window or a gap longer than a few
        days came, until the known part of the sum alone is past the end of the season.

    Raises
    ------
    SeasonError
        If the weather lacks a variable, a latitude or a day, or `shift_days` has a dim that the
        weather has not.

    Notes
    -----
    Families: `models.season.heat_sum`, `models.season.chill_heat`, `models.season.short_day`,
    `models.season.weather_index`, `models.season.indoor_index`.
    At the ends of the time axis a shift repeats the outermost day's rate.
    """
    days = daily_axis(weather)
    if allergen.family in _INDICES:
        rate = _INDICES[allergen.family](weather, allergen)
    else:
        daily = _SUMMED[allergen.family](weather, allergen)
        values, curve = np.zeros(daily.shape), fuzzy_season(allergen)
        start, length = allergen.text("start"), int(allergen.number("window"))
        for southern, places in hemispheres(daily):
            windows = season_windows(days, start, length, southern=southern)
            values[places] = _rate_of_windows(daily.values[places], windows, curve)
        rate = daily.copy(data=values)
    rate = _shifted(rate, shift_days).transpose(*_first_variable(weather).dims)
    rate.attrs = {"units": "d-1", "long_name": f"season rate of {allergen.name}"}
    return rate.rename("season_rate")


def _rate_of_windows(daily: _Array, windows: list[SeasonWindow], curve: FuzzySeason) -> _Array:
    """Return the rate of each day from what each day adds to the sum, dims (place, day)."""
    rate = np.zeros_like(daily)
    for window in windows:
        days = slice(max(window.first, 0), window.stop)
        added = daily[:, days]
        unknown = np.logical_or.accumulate(np.isnan(added), axis=1) | (window.first < 0)
        total = np.cumsum(np.nan_to_num(added), axis=1)
        share = np.diff(curve.released(total), axis=1, prepend=0.0)
        # The true sum is at least the known part, so once that is past the end the season is over.
        before = np.concatenate([np.zeros_like(total[:, :1]), total[:, :-1]], axis=1)
        rate[:, days] = np.where(unknown & (before < curve.last), np.nan, share)
    return rate


def _shifted(rate: xr.DataArray, shift_days: float | xr.DataArray) -> xr.DataArray:
    """Move each place's rate along time, part days by linear interpolation."""
    shift = shift_days if isinstance(shift_days, xr.DataArray) else xr.DataArray(float(shift_days))
    strange = set(shift.dims) - set(rate.dims[:-1])
    if strange:
        raise SeasonError(
            f"shift_days may vary along {rate.dims[:-1]}, it has the dims {tuple(shift.dims)}"
        )
    if not shift.values.any():
        return rate
    if shift.isnull().any():
        raise SeasonError("shift_days holds a missing value; give 0 where no offset is known")
    day = rate.isel(time=0, drop=True)
    aligned = shift.reindex_like(day) if shift.dims else shift
    moved = aligned.broadcast_like(day).transpose(*day.dims).values[..., None]
    if np.isnan(moved).any():
        raise SeasonError("shift_days does not name every region of the weather")
    whole = np.floor(moved).astype(int)
    part = moved - whole
    last = rate.sizes["time"] - 1
    at = np.arange(last + 1) - whole
    late = np.take_along_axis(rate.values, np.clip(at, 0, last), axis=-1)
    later = np.take_along_axis(rate.values, np.clip(at - 1, 0, last), axis=-1)
    blended = np.where(part > 0, (1.0 - part) * late + part * later, late)
    return rate.copy(data=blended)


def _first_variable(weather: xr.Dataset) -> xr.DataArray:
    names = [name for name in ("tas", "tasmax", "tasmin") if name in weather]
    return weather[names[0]]
