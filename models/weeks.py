"""Weeks: ISO 8601 weeks, named by their Monday.

One place decides what a week is, so that counts, exposure and forecasts never disagree about it.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

DAYS_IN_WEEK = 7
WEEKS_IN_YEAR = 52.1775  # 365.2425 / 7, the mean Gregorian year
# 1970-01-01 was a Thursday: three days after a Monday.
_EPOCH_OFFSET = 3


def monday_of(day: date) -> date:
    """Return the Monday of the ISO week that holds a day."""
    return day - timedelta(days=day.weekday())


def mondays(days: NDArray[np.datetime64] | pd.DatetimeIndex) -> NDArray[np.datetime64]:
    """Return the Monday of the ISO week of each day, as ``datetime64[D]``."""
    number = np.asarray(days).astype("datetime64[D]").astype(np.int64)
    start = (number + _EPOCH_OFFSET) // DAYS_IN_WEEK * DAYS_IN_WEEK - _EPOCH_OFFSET
    return start.astype("datetime64[D]")


def week_range(first: date, n_weeks: int) -> pd.DatetimeIndex:
    """Return the Mondays of `n_weeks` weeks, the first holding the day `first`."""
    return pd.date_range(monday_of(first), periods=n_weeks, freq="7D")


def week_of_year(weeks: NDArray[np.datetime64] | pd.DatetimeIndex) -> NDArray[np.int64]:
    """Return 0 to 51 for each week: its Thursday's day of the year in sevenths, capped at 51.

    The Thursday decides, as it does in ISO 8601; the short 53rd week joins the 52nd.
    """
    thursday = np.asarray(weeks).astype("datetime64[D]") + np.timedelta64(3, "D")
    new_year = thursday.astype("datetime64[Y]").astype("datetime64[D]")
    number: NDArray[np.int64] = (thursday - new_year).astype(np.int64) // DAYS_IN_WEEK
    return np.minimum(number, 51)


def phase(weeks: NDArray[np.datetime64] | pd.DatetimeIndex) -> NDArray[np.float64]:
    """Return the place of each week's Thursday in the year, 0 at New Year, 1 a year later."""
    thursday = pd.DatetimeIndex(np.asarray(weeks).astype("datetime64[D]")) + pd.Timedelta(days=3)
    length = np.where(thursday.is_leap_year, 366.0, 365.0)
    place: NDArray[np.float64] = (thursday.day_of_year.to_numpy() - 0.5) / length
    return place


def weekly(daily: xr.DataArray, how: Literal["sum", "mean"]) -> xr.DataArray:
    """Add up, or average, the days of each complete week.

    Parameters
    ----------
    daily
        Gap-free daily series with dimension ``time``; other dimensions are kept.
    how
        ``"sum"`` or ``"mean"``.

    Returns
    -------
    xarray.DataArray
        ``time`` replaced by ``week`` (Mondays). Days of incomplete weeks at either end are left
        out; a missing day makes its week missing.
    """
    days = daily.indexes["time"]
    if len(days) > 1 and (np.diff(days.values) != np.timedelta64(1, "D")).any():
        raise ValueError("weekly values were asked of a daily series with days left out")
    lead = (-days[0].weekday()) % DAYS_IN_WEEK
    n_weeks = (len(days) - lead) // DAYS_IN_WEEK
    if n_weeks < 1:
        raise ValueError(f"a complete week was asked of {len(days)} days from {days[0]:%Y-%m-%d}")
    values = daily.transpose(..., "time").values[..., lead : lead + n_weeks * DAYS_IN_WEEK]
    values = values.reshape(*values.shape[:-1], n_weeks, DAYS_IN_WEEK)
    reduced = values.sum(-1) if how == "sum" else values.mean(-1)
    dims = [dim for dim in daily.dims if dim != "time"] + ["week"]
    coords = {name: c for name, c in daily.coords.items() if "time" not in c.dims}
    coords["week"] = pd.DatetimeIndex(days[lead::DAYS_IN_WEEK][:n_weeks], name="week")
    return xr.DataArray(reduced, dims=dims, coords=coords, name=daily.name, attrs=daily.attrs)
