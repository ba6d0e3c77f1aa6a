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
        the window. ``year`` is the calendar year in which the window begins. All missing (NaT, NaN)
        where the window is not wholly within the axis or holds a missing day; dates are NaT
        where the total is below the least one (no season).

    Raises
    ------
    SeasonError
        If days are left out or latitude is lacking.
    """
    table = load_table("models.season", "season.toml")
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
    total = np.full(shape, np.nan)
    for places, window in found:
        index = years.index(window.year)
        values = daily.values[places, window.first : window.stop]
        positions, sums = _positions(values, table.number("dates.share"))
        at[:, places, index] = positions + window.first
        total[places, index] = sums
    at[:, ~(total >= table.number("dates.least_total"))] = np.nan
    return _labelled(daily, days, years, at, total)


def _positions(values: _Array, share: float) -> tuple[_Array, _Array]:
    """Return positions of start, peak and end, dims (3, place), and totals, dims (place)."""
    cumulative = np.cumsum(values, axis=-1)
    total = cumulative[:, -1]
    with np.errstate(invalid="ignore"):
        start = (cumulative < share * total[:, None]).sum(axis=-1)
        end = (cumulative < (1.0 - share) * total[:, None]).sum(axis=-1)
    return np.stack([start, _peak(values), end]).astype(float), total


def _peak(values: _Array) -> NDArray[np.int64]:
    width = int(load_table("models.season", "season.toml").number("dates.peak_window"))
    half = width // 2
    padded = np.pad(np.nan_to_num(values), ((0, 0), (half + 1, half)))
    running = np.cumsum(padded, axis=-1)
    return np.asarray((running[:, width:] - running[:, :-width]).argmax(axis=-1))


def _labelled(
    daily: xr.DataArray, days: pd.DatetimeIndex, years: list[int], at: _Array, total: _Array
) -> xr.Dataset:
    dims = (*daily.dims[:-1], "year")
    coords = {name: c for name, c in daily.coords.items() if "time" not in c.dims}
    axis = days.values.astype("datetime64[ns]")
    known = ~np.isnan(at)
    dates = np.full(at.shape, np.datetime64("NaT", "ns"))
    dates[known] = axis[at[known].astype(int)]
    variables = {name: (dims, dates[i]) for i, name in enumerate(("start", "peak", "end"))}
    return xr.Dataset({**variables, "total": (dims, total)}, coords={**coords, "year": years})
