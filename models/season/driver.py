"""What drives a season, day by day: the plan that the compiled pass works through.

A family of plants says with a :class:`Driver` what a day adds to its running sum, and what must be
met first. `season_plan` lays the drivers of many allergens side by side for
`models.kernels.season_pass`; `place_weather` lays out the weather that they read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models import kernels
from models.allergens import Allergen
from models.chill import utah_classes
from models.daylength import day_length
from models.gaps import fill_short_gaps
from models.parameters import load_table
from models.season.fraction import fuzzy_season
from models.season.years import SeasonError, daily_axis, hemispheres, season_windows

_Array = NDArray[np.float64]

_TEMPERATURES = ("tas", "tasmax", "tasmin")


@dataclass(frozen=True)
class Driver:
    """What each day adds to the running sum of a season.

    Attributes
    ----------
    reads
        Variables of the weather that it needs.
    heat, chill
        Codes of `models.kernels`: what warms, and what chills before warmth counts.
    base, optimum
        Base temperature; for development the temperature of full speed [degC].
    critical_day, optimal_day
        For development the day lengths at which it stands still and is not slowed [h].
    chill_threshold, chill_sum, chill_days
        Temperature below which an hour chills [degC]; chilling asked for [h or 1]; days into the
        window after which warmth counts without it [d].
    """

    reads: tuple[str, ...]
    heat: int
    base: float
    optimum: float = 0.0
    critical_day: float = 0.0
    optimal_day: float = 0.0
    chill: int = kernels.CHILL_NONE
    chill_threshold: float = 0.0
    chill_sum: float = 0.0
    chill_days: int = 0


def season_plan(
    allergens: Sequence[Allergen],
    days: pd.DatetimeIndex,
    *,
    driver: Callable[[Allergen], Driver],
) -> kernels.SeasonPlan:
    """Lay the drivers, thresholds and windows of allergens side by side.

    Parameters
    ----------
    allergens
        Entries of families with a running sum.
    days
        Daily axis without gaps.
    driver
        Gives each entry's driver.
    """
    drivers = [driver(allergen) for allergen in allergens]
    seasons = [fuzzy_season(allergen) for allergen in allergens]
    pieces = [season.pieces() for season in seasons]
    windows, counts = _windows(allergens, days)

    def whole(name: str) -> NDArray[np.int64]:
        return np.array([getattr(d, name) for d in drivers], dtype=np.int64)

    def real(name: str) -> _Array:
        return np.array([getattr(d, name) for d in drivers], dtype=float)

    return kernels.SeasonPlan(
        heat=whole("heat"),
        chill=whole("chill"),
        base=real("base"),
        optimum=real("optimum"),
        critical_day=real("critical_day"),
        optimal_day=real("optimal_day"),
        chill_threshold=real("chill_threshold"),
        chill_sum=real("chill_sum"),
        chill_days=whole("chill_days"),
        onset=np.array([season.onset for season in seasons]),
        ends=np.array([ends for ends, _ in pieces]),
        cubics=np.array([cubics for _, cubics in pieces]),
        windows=windows,
        n_windows=counts,
    )


def _windows(
    allergens: Sequence[Allergen], days: pd.DatetimeIndex
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return windows by hemisphere (north first) and allergen, and how many each has."""
    found = [
        [
            season_windows(days, a.text("start"), int(a.number("window")), southern=southern)
            for a in allergens
        ]
        for southern in (False, True)
    ]
    counts = np.array([[len(windows) for windows in row] for row in found], dtype=np.int64)
    laid = np.zeros((*counts.shape, max(int(counts.max()), 1), 2), dtype=np.int64)
    for hemisphere, row in enumerate(found):
        for allergen, windows in enumerate(row):
            for index, window in enumerate(windows):
                laid[hemisphere, allergen, index] = window.first, window.stop
    return laid, counts


def place_weather(weather: xr.Dataset, needed: Mapping[str, str]) -> kernels.PlaceWeather:
    """Lay out temperature by place, with short gaps filled, and the light of the days.

    Parameters
    ----------
    weather
        Daily weather, any leading dims and time without left-out days, with ``latitude``.
    needed
        Variables that are read, and for each the name of a plant that reads it; the light of the
        days is laid out where ``daylight`` is among them.

    Returns
    -------
    PlaceWeather
        Places are the leading dims of the first temperature, flattened.

    Raises
    ------
    SeasonError
        If the weather lacks a variable, a latitude or a day.
    """
    days = daily_axis(weather)
    first = first_temperature(weather).transpose(..., "time")
    hemisphere = np.zeros(first.shape[:-1], dtype=np.int64)
    for southern, places in hemispheres(first):
        hemisphere[places] = int(southern)
    laid = {
        name: filled_temperature(weather, name, needed[name])
        .transpose(*first.dims)
        .values.reshape(-1, len(days))
        if name in needed
        else np.empty((0, len(days)))
        for name in _TEMPERATURES
    }
    light, row = _daylight(first, days, wanted="daylight" in needed)
    limits, units = utah_classes()
    return kernels.PlaceWeather(
        **{name: np.ascontiguousarray(values) for name, values in laid.items()},
        daylight=light,
        daylight_row=row,
        hemisphere=hemisphere.ravel(),
        utah_limits=limits,
        utah_units=units,
    )


def first_temperature(weather: xr.Dataset) -> xr.DataArray:
    """Return the first temperature that the weather holds: it gives places their order."""
    held = [name for name in _TEMPERATURES if name in weather]
    if not held:
        raise SeasonError(
            f"a season needs a daily temperature ({', '.join(_TEMPERATURES)}); the weather holds "
            f"{', '.join(map(str, weather.data_vars))}"
        )
    return weather[held[0]]


def filled_temperature(weather: xr.Dataset, name: str, plant: str) -> xr.DataArray:
    """Return a variable with time last and its short gaps interpolated, in its own unit.

    Parameters
    ----------
    weather
        Daily weather.
    name
        Of the variable.
    plant
        Whose season asks for it, for the sentence.

    Raises
    ------
    SeasonError
        If the weather lacks it.
    """
    if name not in weather:
        raise SeasonError(
            f"the season of {plant} needs {name}; the weather holds "
            f"{', '.join(map(str, weather.data_vars))}"
        )
    field = weather[name].transpose(..., "time")
    longest = int(load_table("models.season", "season.toml").number("gap_days"))
    values: _Array = field.values.astype(float)
    return field.copy(data=fill_short_gaps(values, longest=longest))


def _daylight(
    field: xr.DataArray, days: pd.DatetimeIndex, *, wanted: bool
) -> tuple[_Array, NDArray[np.int64]]:
    """Return day length by latitude and day, and the row of each place."""
    day = field.isel(time=0, drop=True)
    latitude = day["latitude"].astype(float).broadcast_like(day).transpose(*day.dims).values
    if not wanted:
        return np.empty((0, 0)), np.zeros(latitude.size, dtype=np.int64)
    distinct, row = np.unique(latitude.ravel(), return_inverse=True)
    number = days.day_of_year.to_numpy(float)
    return day_length(distinct[:, None], number, sun_angle="refracted"), row.astype(np.int64)
