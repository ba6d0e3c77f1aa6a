"""Seasons in progress continued with other years' weather.

What `models.traces` does along a time axis, here for many seasons of the past at once: each is
known up to an issue day and continued with the same days of other years, moved by the warming trend
between the years. So a forecast can be tried on every past season as it would have been made.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.season.season_weather import SeasonWeather
from models.traces import warming_slopes

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]


def trace_donors(
    seasons: SeasonWeather,
    region: _Whole,
    season: _Whole,
    *,
    known: _Whole,
    horizon: int,
    earlier_only: bool,
) -> list[_Whole]:
    """Return the seasons that can lend their weather to each season asked for, nearest first.

    Parameters
    ----------
    seasons
        Daily extremes, leading dim region.
    region, season
        Positions of the seasons to continue.
    known
        First day of each that is not known [d].
    horizon
        Day up to which a donor must be known from there on [d].
    earlier_only
        Whether only years before the season lend (a forecast), or all others (the seasons of
        training, so that the first ones have traces too).
    """
    unknown = np.isnan(seasons.tasmin[..., :horizon]) | np.isnan(seasons.tasmax[..., :horizon])
    # days from which a season is known without a break up to the horizon
    since = np.where(unknown.any(axis=-1), horizon - unknown[..., ::-1].argmax(axis=-1), 0)
    found = []
    for place, own, day in zip(region, season, known, strict=True):
        others = np.flatnonzero(since[place] <= day)
        others = others[others < own] if earlier_only else others[others != own]
        found.append(others[np.argsort(np.abs(others - own), kind="stable")])
    return found


def daily_slopes(weather: xr.Dataset, seasons: SeasonWeather, *, southern: bool) -> _Array:
    """Return the warming trend of each day of a season, from monthly trends [K year-1]."""
    mean = (weather["tasmin"] + weather["tasmax"]) / 2.0
    monthly = warming_slopes(xr.Dataset({"tas": mean}))
    begin = seasons.begin(int(seasons.years[-1]), southern=southern)
    days = begin.to_datetime64() + np.arange(seasons.tasmin.shape[-1]).astype("timedelta64[D]")
    months = days.astype("datetime64[M]").astype(int) % 12
    return np.asarray(monthly[months])
