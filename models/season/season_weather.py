"""Daily weather cut into the seasons that lead to flowering.

Plants that flower from late winter to early summer are followed from 1 October, those of late
summer and autumn from 1 March; south of the equator half a year later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.daylength import day_length
from models.gaps import fill_short_gaps
from models.parameters import load_table
from models.season.families import SeasonDays
from models.season.years import (
    SeasonError,
    daily_axis,
    hemispheres,
    season_start,
    season_windows,
)

_Array = NDArray[np.float64]

_ANY_YEAR, _DAYS_IN_YEAR = 2001, 365  # the light of a day differs by seconds between years


@dataclass(frozen=True)
class SeasonWeather:
    """Daily extremes of each place and season, day 0 being the first day of the season.

    Attributes
    ----------
    dims
        Names of the leading dims (such as trace, region), without ``year``.
    first_day
        Day 0 of the seasons, ``MM-DD`` of the northern hemisphere.
    years
        Year of each season: the calendar year in which the middle of its window lies.
    tasmin, tasmax
        Dims (*leading, year, day) [degC]; gaps of a few days are filled, longer ones NaN.
    missing
        Days missing up to and with each day, before filling, same dims.
    latitude, longitude
        Of each place, dims of the leading dims [degree]; longitude NaN where not given.
    """

    dims: tuple[str, ...]
    first_day: str
    years: NDArray[np.int64]
    tasmin: _Array
    tasmax: _Array
    missing: NDArray[np.int64]
    latitude: _Array
    longitude: _Array

    def begin(self, year: int, *, southern: bool) -> pd.Timestamp:
        """Return day 0 of the season of that year."""
        return onset_season_begin(year, self.first_day, southern=southern)

    @property
    def known_days(self) -> NDArray[np.int64]:
        """Days from the start of the season until the first that is not known."""
        unknown = np.isnan(self.tasmin) | np.isnan(self.tasmax)
        first = unknown.argmax(axis=-1)
        known: NDArray[np.int64] = np.where(unknown.any(axis=-1), first, unknown.shape[-1])
        return known


def onset_season_begin(year: int, first_day: str, *, southern: bool) -> pd.Timestamp:
    """Return day 0 of the season of that year."""
    for begin_year in (year - 1, year):
        begin = season_start(begin_year, first_day, southern=southern)
        if _label(begin, _length()) == year:
            return begin
    raise SeasonError(f"no season of flowering belongs to the year {year}")


def onset_first_day(dates: pd.Series[pd.Timestamp], *, southern: bool) -> str:
    """Return day 0 of the seasons of a plant, from its observed dates.

    Parameters
    ----------
    dates
        Observed dates.
    southern
        Whether they were observed south of the equator.

    Returns
    -------
    str
        ``MM-DD`` of the northern hemisphere: that of late plants where the middle date lies in
        late summer or autumn, else that of spring.
    """
    table = load_table("models.season", "season.toml")
    shift = int(table.number("hemisphere_shift")) if southern else 0
    month = (int(pd.to_datetime(dates).dt.month.median()) - 1 + shift) % 12 + 1
    late = table["onset.late_months"].value
    assert isinstance(late, list)
    return str(table["onset.late_first_day" if month in late else "onset.first_day"].value)


def is_late(first_day: str) -> bool:
    """Return whether seasons of this day 0 are those of late summer and autumn."""
    table = load_table("models.season", "season.toml")
    return first_day == str(table["onset.late_first_day"].value)


def season_weather(weather: xr.Dataset, *, first_day: str) -> SeasonWeather:
    """Cut daily extremes into seasons.

    Parameters
    ----------
    weather
        ``tasmin`` and ``tasmax`` [degC] along time and any leading dims, with ``latitude``.
    first_day
        Day 0 of a season, ``MM-DD`` of the northern hemisphere; see `onset_first_day`.

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
    years, cut = _cut(low, days, [*filled, absent], first_day=first_day)
    missing = np.where(np.isnan(cut[2]), 1, cut[2]).astype(np.int64).cumsum(axis=-1)
    day = low.isel(time=0, drop=True)
    places = [_of_places(day, name) for name in ("latitude", "longitude")]
    dims = tuple(map(str, day.dims))
    return SeasonWeather(dims, first_day, years, cut[0], cut[1], missing, *places)


def season_days(tasmin: _Array, tasmax: _Array, latitude: _Array, *, first_day: str) -> SeasonDays:
    """Return what drives development, with the light of each day.

    Parameters
    ----------
    tasmin, tasmax
        Daily extremes without missing values, dims (season, day) [degC].
    latitude
        Of each season's place [degree].
    first_day
        Day 0, ``MM-DD`` of the northern hemisphere.
    """
    distinct, row = np.unique(latitude, return_inverse=True)
    days = np.arange(tasmin.shape[1])
    light = np.empty((len(distinct), len(days)))
    for southern in (False, True):
        there = (distinct < 0) == southern
        first = season_start(_ANY_YEAR, first_day, southern=southern).day_of_year
        number = (first - 1 + days) % _DAYS_IN_YEAR + 1
        light[there] = day_length(
            distinct[there][:, None], number.astype(float), sun_angle="refracted"
        )
    return SeasonDays(tasmin, tasmax, light, row.astype(np.int64))


def without_gaps(low: _Array, high: _Array) -> tuple[_Array, _Array]:
    """Cut days that no season knows, and fill those past a season's own end with the others' mean.

    A date needs its weather only up to itself; what follows serves to see where a model that is
    late would have put it.
    """
    nobody = (np.isnan(low) | np.isnan(high)).all(axis=0)
    stop = int(nobody.argmax()) if nobody.any() else low.shape[1]
    filled = [
        np.where(np.isnan(values), np.nanmean(values, axis=0), values)
        for values in (low[:, :stop], high[:, :stop])
    ]
    return filled[0], filled[1]


def first_day_of_year(seasons: SeasonWeather) -> xr.DataArray:
    """Return the day of the year of day 0 of each place and season (negative in autumn)."""
    values = np.empty((*seasons.latitude.shape, len(seasons.years)))
    for southern in (False, True):
        starts = [
            (seasons.begin(int(year), southern=southern) - pd.Timestamp(int(year), 1, 1)).days + 1
            for year in seasons.years
        ]
        values[(seasons.latitude < 0) == southern] = starts
    return xr.DataArray(values, dims=(*seasons.dims, "year"))


def _of_places(day: xr.DataArray, name: str) -> _Array:
    if name not in day.coords:
        return np.full(day.shape, np.nan)
    placed = day[name].astype(float).broadcast_like(day).transpose(*day.dims).values
    return np.asarray(placed)


def _cut(
    field: xr.DataArray, days: pd.DatetimeIndex, series: list[_Array], *, first_day: str
) -> tuple[NDArray[np.int64], list[_Array]]:
    length = _length()
    found = [
        (places, window.first, _label(days[0] + pd.Timedelta(days=window.first), length))
        for southern, places in hemispheres(field)
        for window in season_windows(days, first_day, length, southern=southern)
    ]
    years = np.unique(np.array([year for _, _, year in found], dtype=np.int64))
    cut = [np.full((*field.shape[:-1], len(years), length), np.nan) for _ in series]
    for places, first, year in found:
        left, right = max(first, 0), min(first + length, len(days))
        index = int(np.searchsorted(years, year))
        for target, values in zip(cut, series, strict=True):
            target[places, index, left - first : right - first] = values[places, left:right]
    return years, cut


def _length() -> int:
    return int(load_table("models.season", "season.toml").number("onset.days"))


def _label(begin: pd.Timestamp, length: int) -> int:
    return int((begin + pd.Timedelta(days=length // 2)).year)
