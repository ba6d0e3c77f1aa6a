"""Start, peak and end of each season, read off a daily rate or exposure.

The dates are those of the modelled exposure season: from 5 to 95 % of its own total. They are not
a pollen season (which is defined on counts) and not a flare season.

References
----------
Nilsson S., Persson S. 1981. Grana 20:179-182 (season from 5 to 95 % of the annual sum).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.kernels import read_seasons
from models.parameters import load_table
from models.season.years import daily_axis, hemispheres, season_windows

_Array = NDArray[np.float64]


def season_dates(daily: xr.DataArray, allergen: Allergen) -> xr.Dataset:
    """Return start, peak, end and total of each season.

    Parameters
    ----------
    daily
        Season rate or daily exposure, with ``latitude``; leading dims are kept.
    allergen
        Whose window says where a season can lie.

    Returns
    -------
    xarray.Dataset
        Dims (*leading, year): ``start``, first day with at least 5 % of the total; ``peak``, middle
        of the richest seven days; ``end``, first day with at least 95 %; ``total``, the sum over
        the window; ``closes``, the window's last day. ``year`` is the calendar year in which the
        window begins. All missing (NaT, NaN) where the window is not wholly within the axis. Where
        it holds a missing day, dates and total are missing (not known); where the total is below
        the least one, the dates alone are (no season).

    Raises
    ------
    SeasonError
        If days are left out or latitude is lacking.
    """
    table = load_table("models.season", "season.toml")
    share, width = table.number("dates.share"), int(table.number("dates.peak_window"))
    days, daily = daily_axis(daily), daily.transpose(..., "time")
    start, length = allergen.text("start"), int(allergen.number("window"))
    found = [
        (places, window)
        for southern, places in hemispheres(daily)
        for window in season_windows(days, start, length, southern=southern)
        if window.first >= 0 and window.stop <= len(days)
    ]
    years = sorted({window.year for _, window in found})
    shape = (*daily.shape[:-1], len(years))
    at = np.full((3, *shape), np.nan)
    closes, total = np.full(shape, np.nan), np.full(shape, np.nan)
    for places, window in found:
        index = years.index(window.year)
        values = np.ascontiguousarray(daily.values[places, window.first : window.stop], float)
        positions, sums = read_seasons(values, share, width)
        at[:, places, index] = positions + window.first
        closes[places, index], total[places, index] = window.stop - 1, sums
    at[:, ~(total >= table.number("dates.least_total"))] = np.nan
    return _labelled(daily, days, years, np.concatenate([at, closes[None]]), total)


def _labelled(
    daily: xr.DataArray, days: pd.DatetimeIndex, years: list[int], at: _Array, total: _Array
) -> xr.Dataset:
    dims = (*daily.dims[:-1], "year")
    coords = {name: c for name, c in daily.coords.items() if "time" not in c.dims}
    axis = days.values.astype("datetime64[ns]")
    known = ~np.isnan(at)
    dates = np.full(at.shape, np.datetime64("NaT", "ns"))
    dates[known] = axis[at[known].astype(int)]
    names = ("start", "peak", "end", "closes")
    variables = {name: (dims, dates[i]) for i, name in enumerate(names)}
    return xr.Dataset({**variables, "total": (dims, total)}, coords={**coords, "year": years})
