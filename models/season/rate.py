"""The daily rate and the onset of seasons: one call for every allergen, whatever drives it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models import kernels
from models.allergens import Allergen
from models.season.chill_heat import chill_heat_driver
from models.season.driver import Driver, first_temperature, place_weather, season_plan
from models.season.heat_sum import heat_driver
from models.season.indoor_index import flea_rate, mite_rate
from models.season.short_day import short_day_driver
from models.season.weather_index import index_rate
from models.season.years import SeasonError, daily_axis

_Array = NDArray[np.float64]

# A running sum drives these; the others are the rate itself.
_SUMMED: Mapping[str, Callable[[Allergen], Driver]] = {
    "heat sum": heat_driver,
    "chill then heat": chill_heat_driver,
    "day length": short_day_driver,
}
_INDICES: Mapping[str, Callable[[xr.Dataset, Allergen], xr.DataArray]] = {
    "weather index": index_rate,
    "absolute humidity": mite_rate,
    "flea development": flea_rate,
}


def season_rate(
    weather: xr.Dataset, allergen: Allergen, *, shift_days: float | xr.DataArray = 0.0
) -> xr.DataArray:
    """Return the rate of one allergen's season; see `season_rates`."""
    return season_rates(weather, [allergen], shift_days={allergen.id: shift_days})[allergen.id]


def season_rates(
    weather: xr.Dataset,
    allergens: Sequence[Allergen],
    *,
    shift_days: Mapping[str, float | xr.DataArray] | None = None,
) -> dict[str, xr.DataArray]:
    """Return the share of a whole season that falls on each day, before weather holds it back.

    Parameters
    ----------
    weather
        Daily weather with a ``latitude`` coordinate, any leading dims (such as trace and region)
        and time without left-out days. Variables read: ``tas``, for some allergens ``tasmin`` and
        ``tasmax`` [degC], and for mites and fleas ``hurs`` [%].
    allergens
        From `models.allergens`. All that a running sum drives are worked out in one pass.
    shift_days
        Days by which an allergen's season, by its id, is later than the weather says, such as a
        region's offset; part days interpolate. A number, or along leading dims [d].

    Returns
    -------
    dict of str to xarray.DataArray
        By allergen id, dims of the temperature [d-1]. Sums to one over a complete season of the
        heat-sum, chill-then-heat and day-length families, to about one over a year of the indices.
        Zero outside the allergen's window and in a year whose season never comes. NaN where the
        running sum is not known, because the weather begins within the window or a gap longer than
        a few days came, until the known part of the sum alone is past the end of the season.

    Raises
    ------
    SeasonError
        If the weather lacks a variable, a latitude or a day, or a shift has a dim that the weather
        has not.

    Notes
    -----
    Families: `models.season.heat_sum`, `models.season.chill_heat`, `models.season.short_day`,
    `models.season.weather_index`, `models.season.indoor_index`.
    At the ends of the time axis a shift repeats the outermost day's rate.
    """
    summed = [item for item in allergens if item.family in _SUMMED]
    rates = _summed_rates(weather, summed) if summed else {}
    found = {}
    for item in allergens:
        rate = rates[item.id] if item.id in rates else _INDICES[item.family](weather, item)
        rate = _shifted(rate, (shift_days or {}).get(item.id, 0.0))
        rate = rate.transpose(*first_temperature(weather).dims)
        rate.attrs = {"units": "d-1", "long_name": f"season rate of {item.name}"}
        found[item.id] = rate.rename("season_rate")
    return found


def season_onsets(weather: xr.Dataset, allergens: Sequence[Allergen]) -> dict[str, xr.DataArray]:
    """Return when half of the plants have started: the crossing of the onset sum.

    Parameters
    ----------
    weather
        As for `season_rates`.
    allergens
        Entries of the families that a running sum drives.

    Returns
    -------
    dict of str to xarray.DataArray
        By allergen id, dims of the temperature with ``window`` (numbered in the order of time) in
        the place of time: days from the first day of the axis, part days counting [d]. NaN where
        the sum is not known or the axis ends before it is reached; infinite where the window passes
        without it.

    Raises
    ------
    SeasonError
        As `season_rates`, and for an allergen without an onset sum.
    """
    without = [item.name for item in allergens if item.family not in _SUMMED]
    if without:
        raise SeasonError(
            f"an onset is read off a running sum; {', '.join(without)} has none, its index goes on "
            "all year"
        )
    field, n_windows, onset, _ = _passed(weather, allergens, with_rate=False)
    first = field.isel(time=0, drop=True)
    return {
        item.id: xr.DataArray(
            values.reshape(*first.shape, -1)[..., :held],
            dims=(*first.dims, "window"),
            coords=first.coords,
            name="onset",
            attrs={"units": "d", "long_name": f"onset of the season of {item.name}"},
        )
        for item, values, held in zip(allergens, onset, n_windows, strict=True)
    }


def _summed_rates(weather: xr.Dataset, allergens: Sequence[Allergen]) -> dict[str, xr.DataArray]:
    field, _, _, rates = _passed(weather, allergens, with_rate=True)
    return {
        item.id: field.copy(data=rate.reshape(field.shape))
        for item, rate in zip(allergens, rates, strict=True)
    }


def _passed(
    weather: xr.Dataset, allergens: Sequence[Allergen], *, with_rate: bool
) -> tuple[xr.DataArray, list[int], _Array, _Array]:
    """Run the pass; return a field that gives the shape, windows held, onsets and rates."""
    days = daily_axis(weather)
    plan = season_plan(allergens, days, driver=_driver)
    needed = {name: item.name for item in allergens for name in _driver(item).reads}
    laid = place_weather(weather, needed)
    n_places = laid.hemisphere.size
    rates = np.zeros((len(allergens), n_places, len(days)) if with_rate else (0, 0, 0))
    onset = np.full((len(allergens), n_places, plan.windows.shape[2]), np.nan)
    kernels.season_pass(laid, plan, rates, onset)
    n_windows = plan.n_windows[np.unique(laid.hemisphere)].max(axis=0).tolist()
    return first_temperature(weather).transpose(..., "time"), n_windows, onset, rates


def _driver(allergen: Allergen) -> Driver:
    return _SUMMED[allergen.family](allergen)


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
