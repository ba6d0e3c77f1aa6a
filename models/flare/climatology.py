"""Reference members: what the same weeks of past years were like.

Climatology takes the flare visits per consultation of the same week of the year, and the weeks
next to it, in every past year; last season takes only the latest year's week and spreads it by
how much such weeks have differed from one year to the next. A forecast is worth having by what it
adds to these two. Both are scaled by the consultations expected, which makes them stronger
references than plain past counts in a practice that grows.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.parameters import load_table
from models.streams import DrawStreams
from models.weeks import week_of_year

Array = NDArray[np.float64]


def _window() -> range:
    half = int(load_table("models.flare", "flare.toml").number("climatology.half_window"))
    return range(-half, half + 1)


def climatology_pool(rate: xr.DataArray, weeks: NDArray[np.datetime64]) -> Array:
    """Gather the past rates that a week ahead may repeat.

    Parameters
    ----------
    rate
        Flare visits per consultation, dims ``(region, week)``, NaN where unknown.
    weeks
        Weeks ahead (Mondays).

    Returns
    -------
    numpy.ndarray
        Shape ``(region, week ahead, candidate)``, NaN where a candidate is unknown; the same
        candidate of every region is the same past week.
    """
    known = week_of_year(rate["week"].values)
    wanted = week_of_year(weeks)
    values = rate.transpose("region", "week").values
    columns = []
    for target in wanted:
        near = np.isin(known, [(target + shift) % 52 for shift in _window()])
        columns.append(values[:, near])
    width = max(c.shape[1] for c in columns)
    pool = np.full((values.shape[0], len(weeks), width), np.nan)
    for index, column in enumerate(columns):
        pool[:, index, : column.shape[1]] = column
    return pool


def draw_climatology(
    rate: xr.DataArray, consultations: xr.DataArray, *, streams: DrawStreams
) -> xr.DataArray:
    """Draw futures that repeat past weeks.

    Parameters
    ----------
    rate
        Past flare visits per consultation, dims ``(region, week)``.
    consultations
        Consultations ahead, dims ``(draw, region, week)``.
    streams
        Random numbers.

    Returns
    -------
    xarray.DataArray
        Counts, dims ``(draw, region, week)``; NaN where nothing is known of a region.
    """
    order = consultations.transpose("draw", "region", "week")
    pool = climatology_pool(rate, order["week"].values)
    # known candidates first, so that a uniform number picks one of them
    ranked = np.sort(pool, axis=-1)
    known = np.isfinite(pool).sum(-1)
    pick = (streams.own_uniform(order.sizes["week"]) * known).astype(int)
    drawn = np.take_along_axis(
        np.broadcast_to(ranked, (order.sizes["draw"], *ranked.shape)), pick[..., None], axis=-1
    )[..., 0]
    return order.copy(data=drawn * order.values)


def draw_last_season(
    rate: xr.DataArray, consultations: xr.DataArray, *, streams: DrawStreams
) -> xr.DataArray:
    """Draw futures around the same week one year before.

    The square root of the rate is taken as last year's plus a change drawn from all past
    year-to-year changes of the region, centred on zero.
    """
    order = consultations.transpose("draw", "region", "week")
    past = np.sqrt(rate.transpose("region", "week").values)
    chance = streams.own_uniform(order.sizes["week"])
    back = order["week"].values.astype("datetime64[D]") - np.timedelta64(364, "D")
    at = rate.indexes["week"].get_indexer(back)
    drawn = np.full(order.shape, np.nan)
    for region in range(past.shape[0]):
        if not np.isfinite(past[region]).any():
            continue
        last = np.where(at >= 0, past[region, at], np.nan)
        usual = np.sqrt(np.nanmean(past[region] ** 2))
        last = np.where(np.isfinite(last), last, usual)
        spread = _yearly_changes(past[region])
        change = spread[(chance[:, region] * len(spread)).astype(int)]
        drawn[:, region] = np.clip(last + change, 0.0, None) ** 2
    return order.copy(data=drawn * order.values)


def _yearly_changes(past: Array) -> Array:
    changes = past[52:] - past[:-52]
    changes = changes[np.isfinite(changes)]
    return changes - changes.mean() if len(changes) else np.zeros(1)
