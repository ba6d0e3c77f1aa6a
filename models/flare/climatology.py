"""Reference members: what the same weeks of past years were like.

Climatology takes the flare visits per consultation of the same week of the year, and the weeks
next to it, in every past year; last season takes only the latest year's week and spreads it by
how much such weeks have differed from one year to the next. A forecast is worth having by what it
adds to these two. Both are scaled by the consultations expected, which makes them stronger
references than plain past counts in a practice that grows.

Trend-climatology is climatology set to the present level: each past week counts by its ratio to
the level of the year around it, and the ratios are taken up again at the level of the last year.
How much such a level has moved from one year to the next widens it with lead.
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


def draw_last_value(
    rate: xr.DataArray, consultations: xr.DataArray, *, streams: DrawStreams
) -> xr.DataArray:
    """Draw futures around the last week that is known, the baseline of disease-forecast hubs.

    The square root of the rate is taken as the last week's plus a change drawn from all past
    changes over as many weeks, each once with either sign.
    """
    order = consultations.transpose("draw", "region", "week")
    past = np.sqrt(rate.transpose("region", "week").values)
    chance = streams.own_uniform(order.sizes["week"])
    weeks = order["week"].values.astype("datetime64[D]")
    of_past = rate["week"].values.astype("datetime64[D]")
    drawn = np.full(order.shape, np.nan)
    for region, own in enumerate(past):
        known = np.flatnonzero(np.isfinite(own))
        if not len(known):
            continue
        lead = (weeks - of_past[known[-1]]).astype(int) // 7
        for at, ahead in enumerate(lead):
            change = _changes(own, min(max(int(ahead), 1), len(own) - 1))
            both = np.sort(np.concatenate([change, -change]))
            pick = both[(chance[:, region, at] * len(both)).astype(int)]
            drawn[:, region, at] = np.clip(own[known[-1]] + pick, 0.0, None) ** 2
    return order.copy(data=drawn * order.values)


def draw_trend_climatology(
    rate: xr.DataArray, consultations: xr.DataArray, *, streams: DrawStreams
) -> xr.DataArray:
    """Draw futures that repeat past weeks, each relative to its year, at the level of today.

    Parameters and dims are those of `draw_climatology`; `consultations` may be anything that the
    rate is a rate of.
    """
    order = consultations.transpose("draw", "region", "week")
    level = _yearly_level(rate.transpose("region", "week").values)
    relative = rate.transpose("region", "week") / level
    repeated = draw_climatology(relative, order, streams=streams)
    # a level is that of the year behind: its middle lies half a year back
    weeks = order["week"].values.astype("datetime64[D]")
    last = rate["week"].values[-1].astype("datetime64[D]")
    years = np.maximum((weeks - last).astype(int) / 7.0 + 26.0, 0.0) / 52.0
    chance = streams.own(lambda stream, _, __: stream.standard_normal(1))
    moved = np.exp(_level_change(level) * np.sqrt(years) * chance)
    return order.copy(data=repeated.values * level[:, -1][:, None] * moved)


def _yearly_level(rate: Array) -> Array:
    """Return the mean rate of the year around each week, or of the nearest whole one."""
    n_weeks = rate.shape[1]
    known = np.isfinite(rate)
    width = min(52, n_weeks)
    start = np.clip(np.arange(n_weeks) - width // 2, 0, n_weeks - width)
    total, number = (
        np.cumsum(np.pad(part, ((0, 0), (1, 0))), axis=1)
        for part in (np.where(known, rate, 0.0), known.astype(float))
    )
    seen = number[:, start + width] - number[:, start]
    usual = total[:, -1:] / np.maximum(number[:, -1:], 1.0)
    # a year of few known weeks is drawn to the usual level
    weight = load_table("models.flare", "flare.toml").number("climatology.level_weeks")
    summed = total[:, start + width] - total[:, start] + weight * usual
    level = summed / (seen + weight)
    return np.where(level > 0, level, np.nan)


def _level_change(level: Array) -> float:
    """Return the spread of the level's log from one year to the next, over all regions."""
    if level.shape[1] <= 2 * 52:
        return 0.0
    change = np.log(level[:, 52:] / level[:, :-52])
    change = change[np.isfinite(change)]
    return float(np.sqrt(np.mean(change**2))) if len(change) else 0.0


def _yearly_changes(past: Array) -> Array:
    changes = _changes(past, 52)
    centred: Array = changes - changes.mean()
    return centred


def _changes(past: Array, weeks: int) -> Array:
    """Return the known changes over so many weeks; a single zero where there are none."""
    changes = past[weeks:] - past[:-weeks]
    changes = changes[np.isfinite(changes)]
    return changes if len(changes) else np.zeros(1)
