"""Season years: where on a time axis each year's season can lie.

A season starts on a fixed day (given for the northern hemisphere) and is looked for within a
fixed number of days. South of the equator the same season starts half a year later. Because the
window is counted in days from its start, a season that crosses New Year is no special case; its
year is the calendar year in which its window begins.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.errors import ForepawError
from models.parameters import load_table


class SeasonError(ForepawError):
    """Weather, or an allergen, from which no season can be worked out."""


@dataclass(frozen=True)
class SeasonWindow:
    """The days in which one year's season can lie, as positions on a time axis.

    Attributes
    ----------
    year
        Calendar year in which the window begins.
    first
        Position of its first day; negative where it lies before the first day of the axis.
    stop
        Position after its last day; may lie beyond the end of the axis.
    """

    year: int
    first: int
    stop: int


def season_windows(
    days: pd.DatetimeIndex, start: str, length: int, *, southern: bool
) -> list[SeasonWindow]:
    """Return the windows that share at least one day with a time axis.

    Parameters
    ----------
    days
        Daily axis without gaps.
    start
        First day of the window in the northern hemisphere, ``MM-DD``.
    length
        Days in the window, at most a year [d].
    southern
        Whether the place lies south of the equator.

    Returns
    -------
    list of SeasonWindow
        In the order of time.
    """
    windows = []
    for year in range(days[0].year - 2, days[-1].year + 1):
        begin = season_start(year, start, southern=southern)
        first = (begin - days[0]).days
        if first < len(days) and first + length > 0:
            windows.append(SeasonWindow(begin.year, first, first + length))
    return windows


def season_start(year: int, start: str, *, southern: bool) -> pd.Timestamp:
    """Return the start of a year's season; south of the equator that is half a year later."""
    try:
        begin = pd.Timestamp(f"{year:04d}-{start}")
    except ValueError:
        raise SeasonError(
            f"a season start was given as {start!r}; write month and day as MM-DD, such as 03-01"
        ) from None
    months = int(load_table("models.season", "season.toml").number("hemisphere_shift"))
    return begin + pd.DateOffset(months=months) if southern else begin


def daily_axis(field: xr.DataArray | xr.Dataset) -> pd.DatetimeIndex:
    """Return the time axis; raise where days are left out or out of order.

    Raises
    ------
    SeasonError
        If two neighbours on the axis are not one day apart.
    """
    if "time" not in field.indexes:
        raise SeasonError(
            f"daily values along a coordinate 'time' are needed, the dims are {tuple(field.dims)}"
        )
    days = pd.DatetimeIndex(field.indexes["time"])
    steps = np.diff(days.values)
    wrong = np.flatnonzero(steps != np.timedelta64(1, "D"))
    if wrong.size:
        raise SeasonError(
            f"daily values without a left-out day are needed; {days[wrong[0]]:%Y-%m-%d} is "
            f"followed by {days[wrong[0] + 1]:%Y-%m-%d}: put the days between them in, as missing "
            "values"
        )
    return days


def hemispheres(field: xr.DataArray) -> Iterator[tuple[bool, NDArray[np.bool_]]]:
    """Yield southern (False, True) and which of the leading places lie there.

    Parameters
    ----------
    field
        Daily field with time last and a ``latitude`` coordinate (a number, or along region).

    Yields
    ------
    southern : bool
        Which hemisphere.
    places : numpy.ndarray
        Mask over the leading dims of `field`; hemispheres without a place are passed over.

    Raises
    ------
    SeasonError
        If latitude is lacking, unknown or not within -90 and 90 degrees.
    """
    if "latitude" not in field.coords:
        raise SeasonError(
            "the season of a place depends on its latitude: add a coordinate 'latitude' "
            "[degree, north positive] to the weather"
        )
    latitude = field["latitude"].astype(float)
    outside = ~(abs(latitude) <= 90.0)
    if bool(outside.any()):
        raise SeasonError(
            "latitude must lie between -90 and 90 degrees, found "
            f"{float(latitude.values[outside.values].flat[0]):g}"
        )
    day = field.isel(time=0, drop=True)
    south = (latitude < 0).broadcast_like(day).transpose(*day.dims).values
    for southern in (False, True):
        places = south == southern
        if places.any():
            yield southern, places
