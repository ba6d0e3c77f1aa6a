"""Seasons in progress continued with other years' weather.

What `models.traces` does along a time axis, here for many seasons of the past at once: each is
known up to an issue day and continued with the same days of other years, moved by the warming trend
between the years, and by how much warmer the season was than the lender in the weeks before, of
which a share lasts and fades (`fading_share`). So a forecast can be tried on every past season as
it would have been made.

Validity: one share serves all regions of the weather together. Known failure: it is that of the
whole record, of which the season itself is one; with some thirty years that hardly shows.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.lasting_warmth import days_ahead, days_before, departure_ahead, fading, lasting_share
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


def recent_warmth(seasons: SeasonWeather, slopes: _Array, *, issue_day: int) -> _Array:
    """Return the mean warmth of the weeks before an issue day, set to one year's climate.

    Parameters
    ----------
    seasons
        Daily extremes, leading dim region.
    slopes
        Warming trend of each day of the season, from `daily_slopes` [K year-1].
    issue_day
        First day that is not known [d].

    Returns
    -------
    numpy.ndarray
        Dims (region, season) [degC]; NaN where a day of them is not known.
    """
    days = slice(max(issue_day - days_before(), 0), issue_day)
    return np.asarray(_level(seasons, slopes)[..., days].mean(axis=-1))


def fading_share(seasons: SeasonWeather, slopes: _Array, *, issue_day: int) -> _Array:
    """Return how much of an unusual warmth is still there on each day past an issue day.

    See `models.lasting_warmth`; learnt from all regions and seasons that are known.

    Returns
    -------
    numpy.ndarray
        Dims (day,) of the season; zero before the issue day [1].
    """
    level, recent = _level(seasons, slopes), recent_warmth(seasons, slopes, issue_day=issue_day)
    ahead = departure_ahead(level[..., issue_day : issue_day + days_ahead()])
    pattern = fading(np.arange(level.shape[-1]) - issue_day)
    return lasting_share(recent, ahead) * pattern


def _level(seasons: SeasonWeather, slopes: _Array) -> _Array:
    """Return the mean temperature of each day as if all years had the climate of the last."""
    mean = (seasons.tasmin + seasons.tasmax) / 2.0
    later = (seasons.years[-1] - seasons.years)[:, None]
    return np.asarray(mean + later * slopes[: mean.shape[-1]])
