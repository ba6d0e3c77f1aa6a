"""Daily weather cut into the seasons that lead to spring flowering."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.gaps import fill_short_gaps
from models.parameters import load_table
from models.season.years import (
    SeasonError,
    daily_axis,
    hemispheres,
    season_start,
    season_windows,
)

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class SeasonWeather:
    """Daily extremes of each place and season, day 0 being the first day of the season.

    Attributes
    ----------
    dims
        Names of the leading dims (such as trace, region), without ``year``.
    years
        Year of each season: the calendar year in which the middle of its window lies.
    tasmin, tasmax
        Dims (*leading, year, day) [degC]; gaps of a few days are filled, longer ones NaN.
    missing
        Days missing up to and with each day, before filling, same dims.
    latitude
        Of each place, dims of the leading dims [degree].
    """

    dims: tuple[str, ...]
    years: NDArray[np.int64]
    tasmin: _Array
    tasmax: _Array
    missing: NDArray[np.int64]
    latitude: _Array

    @property
    def known_days(self) -> NDArray[np.int64]:
        """Days from the start of the season until the first that is not known."""
        unknown = np.isnan(self.tasmin) | np.isnan(self.tasmax)
        first = unknown.argmax(axis=-1)
        known: NDArray[np.int64] = np.where(unknown.any(axis=-1), first, unknown.shape[-1])
        return known


def season_weather(weather: xr.Dataset) -> SeasonWeather:
    """Cut daily extremes into seasons.

    Parameters
    ----------
    weather
        ``tasmin`` and ``tasmax`` [degC] along time and any leading dims, with ``latitude``.

    Raises
    ------
    SeasonError
        If a variable is lacking, or the time axis leaves days out.
    """
    lacking = [name for name in ("tasmin", "tasmax") if name not in weather]
    if lacking:
        raise SeasonError(
            f"the onset of flowering needs tasmin and tasmax, the weather lacks {lacking}"
        )
    days = daily_axis(weather)
    low = weather["tasmin"].transpose(..., "time")
    high = weather["tasmax"].transpose(*low.dims)
    longest = int(load_table("models.season", "season.toml").number("gap_days"))
    filled = [fill_short_gaps(field.values.astype(float), longest=longest) for field in (low, high)]
    absent = (np.isnan(low.values) | np.isnan(high.values)).astype(float)
    years, cut = _cut(low, days, [*filled, absent])
    missing = np.where(np.isnan(cut[2]), 1, cut[2]).astype(np.int64).cumsum(axis=-1)
    day = low.isel(time=0, drop=True)
    latitude = day["latitude"].astype(float).broadcast_like(day).transpose(*day.dims).values
    return SeasonWeather(
        tuple(map(str, day.dims)), years, cut[0], cut[1], missing, np.asarray(latitude)
    )


def onset_season_start(year: int, *, southern: bool) -> pd.Timestamp:
    """Return day 0 of the season of that year."""
    start, length = _window()
    for begin_year in (year - 1, year):
        begin = season_start(begin_year, start, southern=southern)
        if _label(begin, length) == year:
            return begin
    raise SeasonError(f"no season of flowering belongs to the year {year}")


def _cut(
    field: xr.DataArray, days: pd.DatetimeIndex, series: list[_Array]
) -> tuple[NDArray[np.int64], list[_Array]]:
    start, length = _window()
    found = [
        (places, window.first, _label(days[0] + pd.Timedelta(days=window.first), length))
        for southern, places in hemispheres(field)
        for window in season_windows(days, start, length, southern=southern)
    ]
    years = np.unique(np.array([year for _, _, year in found], dtype=np.int64))
    cut = [np.full((*field.shape[:-1], len(years), length), np.nan) for _ in series]
    for places, first, year in found:
        left, right = max(first, 0), min(first + length, len(days))
        index = int(np.searchsorted(years, year))
        for target, values in zip(cut, series, strict=True):
            target[places, index, left - first : right - first] = values[places, left:right]
    return years, cut


def _window() -> tuple[str, int]:
    table = load_table("models.season", "season.toml")
    return str(table["onset.first_day"].value), int(table.number("onset.days"))


def _label(begin: pd.Timestamp, length: int) -> int:
    return int((begin + pd.Timedelta(days=length // 2)).year)
