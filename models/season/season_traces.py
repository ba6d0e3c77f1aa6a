"""Seasons continued with other years' weather, as arrays of seasons.

What `models.traces` does along a time axis, here for many seasons of the past at once: each is
known up to an issue day and continued with the same days of other years, moved by the warming trend
between the years. So a forecast can be tried on every past season as it would have been made.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.season.season_weather import SeasonWeather, onset_season_start
from models.traces import warming_slopes

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]

_BLOCK = 64  # seasons continued at a time: memory stays small


@dataclass(frozen=True)
class TraceBlock:
    """Traces of some seasons.

    Attributes
    ----------
    targets
        Positions of the seasons in what was asked.
    tasmin, tasmax
        Dims (season, trace, day) [degC].
    """

    targets: slice
    tasmin: _Array
    tasmax: _Array


def trace_donors(
    seasons: SeasonWeather,
    region: _Whole,
    season: _Whole,
    *,
    issue_day: int,
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
    issue_day, horizon
        Days between which a donor must be known whole [d].
    earlier_only
        Whether only years before the season lend (a forecast), or all others (the seasons of
        training, so that the first ones have traces too).
    """
    lent = seasons.tasmin[..., issue_day:horizon] + seasons.tasmax[..., issue_day:horizon]
    usable = np.asarray(~np.isnan(lent).any(axis=-1))
    found = []
    for place, own in zip(region, season, strict=True):
        others = np.flatnonzero(usable[place])
        others = others[others < own] if earlier_only else others[others != own]
        found.append(others[np.argsort(np.abs(others - own), kind="stable")])
    return found


def season_traces(
    seasons: SeasonWeather,
    region: _Whole,
    season: _Whole,
    donors: NDArray[np.int64],
    *,
    issue_day: int,
    horizon: int,
    slopes: _Array,
) -> Iterator[TraceBlock]:
    """Continue seasons with the weather of other years.

    Parameters
    ----------
    seasons, region, season, horizon
        As for `trace_donors`.
    donors
        Seasons that lend, dims (season, trace).
    issue_day
        First day that is not known; a season whose weather ends before it is continued from there.
    slopes
        Warming by day of the season, dims (day,) [K year-1].

    Yields
    ------
    TraceBlock
        Seasons in their order.
    """
    low, high = seasons.tasmin[..., :horizon], seasons.tasmax[..., :horizon]
    known = np.minimum(seasons.known_days, issue_day)
    for first in range(0, len(region), _BLOCK):
        block = slice(first, min(first + _BLOCK, len(region)))
        places, own, lenders = region[block], season[block], donors[block]
        apart = seasons.years[own][:, None] - seasons.years[lenders]
        moved = apart[..., None] * slopes[:horizon]
        is_known = np.arange(horizon) < known[places, own][:, None, None]
        low_of, high_of = (
            np.where(is_known, field[places, own][:, None], field[places[:, None], lenders] + moved)
            for field in (low, high)
        )
        yield TraceBlock(block, low_of, high_of)


def daily_slopes(weather: xr.Dataset, seasons: SeasonWeather, *, southern: bool) -> _Array:
    """Return the warming trend of each day of a season, from monthly trends [K year-1]."""
    mean = (weather["tasmin"] + weather["tasmax"]) / 2.0
    monthly = warming_slopes(xr.Dataset({"tas": mean}))
    begin = onset_season_start(int(seasons.years[-1]), southern=southern)
    days = begin.to_datetime64() + np.arange(seasons.tasmin.shape[-1]).astype("timedelta64[D]")
    months = days.astype("datetime64[M]").astype(int) % 12
    return np.asarray(monthly[months])
