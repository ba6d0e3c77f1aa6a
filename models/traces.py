"""Traces: today's weather continued with the weather of past years.

A forecast of a season needs the weather of the months ahead, which nobody knows. What can be
known is the spread of weather that the place has had. As in ensemble streamflow prediction
(Day 1985), each past year in turn is laid behind the weather observed so far; every model that
keeps a state (heat sums, photoperiodic development) is carried on from today's state along each
of these *traces*, and the spread of its results is the spread due to weather.

Past years were cooler than the years to come, so each donor year's temperatures are moved by the
local warming trend between that year and the target year (monthly slopes, pooled over regions
and shrunk towards the annual slope). Without this the traces are biased late in spring.
What is left of the warmth of the weeks before the origin is carried on, too: each trace is moved by
a fading share of how much warmer they were than the donor's (:mod:`models.lasting_warmth`).

A long gap in the days before the origin is no different from the days after it: there, too, each
trace takes its donor's weather, so that a model that keeps a state can be carried over the gap.

A trace spans weather uncertainty only. The error of the season model and of the counts is added
by those who own them.

References
----------
Day G.N. 1985, Journal of Water Resources Planning and Management 111:157-170.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.errors import ForepawError
from models.lasting_warmth import days_ahead, days_before, departure_ahead, fading, lasting_share
from models.parameters import load_table

TEMPERATURES = ("tas", "tasmin", "tasmax")

_ROUNDS = 200  # of alternating least squares: far more than any overlap of records asks for


class TraceError(ForepawError):
    """The past is too short, or too full of gaps, to continue it."""


def continue_with_past_years(
    weather: xr.Dataset,
    origin: np.datetime64,
    *,
    days: int,
    history_days: int = 0,
    warming: bool = True,
    lasting: bool = True,
) -> xr.Dataset:
    """Continue the weather known at an origin with that of every usable past year.

    Parameters
    ----------
    weather
        Daily weather, dims ``(region, time)``. Only days before `origin` are read.
    origin
        First day that is not known.
    days
        Days to continue, counted from `origin` [d].
    history_days
        Observed days kept in front of the origin, the same in every trace; of values not observed,
        each trace's donor's, where the record reaches back that far [d].
    warming
        Move the donors' temperatures by the warming trend.
    lasting
        Carry on what lasts of the warmth before the origin.

    Returns
    -------
    xarray.Dataset
        Dims ``(trace, region, time)``; coordinate ``donor_year`` on ``trace`` is the year whose
        weather follows the origin. Traces run from the most recent donor to the oldest.

    Raises
    ------
    TraceError
        If fewer donor years than the table's minimum are usable.

    Notes
    -----
    A target date takes the same calendar day of the donor; 29 February takes the donor's 28
    February where that year has none. A donor must lie wholly before the origin.
    """
    past = weather.sel(time=weather["time"] < origin)
    if past.sizes["time"] == 0:
        raise TraceError(f"traces were asked from {_day(origin)}, but no weather before it is held")
    target = pd.date_range(pd.Timestamp(origin), periods=days, freq="D")
    donors = _usable_donors(past, target)
    minimum = int(load_table("models", "traces.toml").number("minimum_years"))
    if len(donors) < minimum:
        raise TraceError(
            f"traces from {_day(origin)} need {minimum} complete past years; weather held from "
            f"{_day(past['time'].values[0])} gives {len(donors)}: load a longer history"
        )
    n_kept = min(history_days, past.sizes["time"])
    index = past.indexes["time"]
    own = pd.DatetimeIndex(index[len(index) - n_kept :])
    slopes = warming_slopes(past) if warming else np.zeros(12)
    traces = _lent(past, target, donors, slopes=slopes)
    if lasting:
        more = _lasting_warmth(past, target, donors, slopes=slopes)
        traces = traces.assign({t: traces[t] + more for t in TEMPERATURES if t in traces})
    if n_kept:
        history = past.sel(time=own).expand_dims(trace=traces["trace"])
        if any(bool(field.isnull().any()) for field in history.data_vars.values()):
            history = history.fillna(_lent(past, own, donors, slopes=slopes))
        traces = xr.concat([history, traces], dim="time", data_vars="minimal", coords="minimal")
    traces = traces.assign_coords(donor_year=("trace", target[0].year - np.array(donors)))
    return traces.transpose("trace", "region", "time", missing_dims="ignore")


def _lent(
    past: xr.Dataset, days: pd.DatetimeIndex, donors: list[int], *, slopes: NDArray[np.float64]
) -> xr.Dataset:
    """Return the weather that each donor lends to some days, moved to their year's warmth.

    NaN where the record does not reach back to a donor's day.
    """
    index = past.indexes["time"]
    at = np.stack([index.get_indexer(_donor_days(days, back)) for back in donors])
    lent = past.drop_vars("time").isel(time=xr.DataArray(np.maximum(at, 0), dims=("trace", "time")))
    if (at < 0).any():
        lent = lent.where(xr.DataArray(at >= 0, dims=("trace", "time")))
    lent = lent.assign_coords(time=days, trace=np.arange(len(donors)))
    shift = slopes[days.month.to_numpy() - 1] * np.array(donors)[:, None]
    moved = xr.DataArray(shift, dims=("trace", "time"))
    return lent.assign({t: lent[t] + moved for t in TEMPERATURES if t in lent})


def _lasting_warmth(
    past: xr.Dataset, target: pd.DatetimeIndex, donors: list[int], *, slopes: NDArray[np.float64]
) -> xr.DataArray:
    """Return by how much each trace is warmer for what lasts of the warmth before its first day.

    Where the warmth of the weeks before is not known, in this year or the donor's, by nothing.
    """
    tas = past["tas"].transpose(..., "time")
    place, index = tas.isel(time=0, drop=True), past.indexes["time"]
    values = tas.values.reshape(-1, tas.sizes["time"])

    def level(days: pd.DatetimeIndex, back: int) -> NDArray[np.float64]:
        """Return the warmth of the same days of an earlier year, set to the climate of these."""
        at = index.get_indexer(_donor_days(days, back))
        moved = values[:, np.maximum(at, 0)] + back * slopes[days.month.to_numpy() - 1]
        return np.where(at >= 0, moved, np.nan)

    before = pd.date_range(end=target[0] - pd.Timedelta(days=1), periods=days_before())
    after = pd.date_range(target[0], periods=days_ahead())
    years = range(target[0].year - index[0].year + 1)
    recent = np.stack([level(before, back).mean(axis=-1) for back in years], axis=-1)
    ahead = np.stack([departure_ahead(level(after, back)) for back in years], axis=-1)
    share = lasting_share(recent, ahead)
    excess = np.nan_to_num(recent[:, :1] - recent[:, donors]).T.reshape(-1, *place.shape)
    pattern = xr.DataArray(share * fading(np.arange(len(target))), dims="time")
    return xr.DataArray(excess, dims=("trace", *place.dims)) * pattern


def warming_slopes(weather: xr.Dataset) -> NDArray[np.float64]:
    """Estimate the warming trend of each calendar month.

    Parameters
    ----------
    weather
        Daily weather with ``tas`` [degC], dims ``(region, time)``.

    Returns
    -------
    numpy.ndarray
        Slope for January to December [degC year-1], zeros where fewer than five years are held.

    Notes
    -----
    Monthly means are averaged over regions, each set to the others' level where their records are
    not equally long (a warmer region that joins late is no warming). Each month's least-squares
    slope (on itself and its neighbours) is shrunk towards the mean of all twelve by
    ``w = max(0, 1 - v / s)``, with ``v`` the mean squared standard error of the slopes and ``s``
    their variance: months whose trends differ by no more than their errors share one
    trend.
    """
    table = load_table("models", "traces.toml")
    smooth = _regions_together(weather["tas"], least_days=table.number("trend_days")).rolling(
        int(table.number("trend_window")), center=True, min_periods=1
    )
    known = smooth.mean().dropna()
    when = pd.DatetimeIndex(known.index)
    by_month = [known[when.month == month] for month in range(1, 13)]
    if min(len(values) for values in by_month) < table.number("trend_years"):
        return np.zeros(12)
    fits = [_slope(values) for values in by_month]
    slopes = np.array([slope for slope, _ in fits])
    error = float(np.mean([variance for _, variance in fits]))
    spread = float(np.var(slopes, ddof=1))
    keep = max(0.0, 1.0 - error / spread) if spread > 0 else 0.0
    shrunk: NDArray[np.float64] = slopes.mean() + keep * (slopes - slopes.mean())
    return shrunk


def _regions_together(tas: xr.DataArray, *, least_days: float) -> pd.Series[float]:
    """Return the monthly mean of all regions; NaN for months with fewer days than asked for.

    Where days are lacking in some regions only, each region's level of each calendar month is told
    apart from what the month brought to all, by alternating least squares; the series is then of
    departures.
    """
    held = tas.notnull()
    if bool((held.any("region") == held.all("region")).all()):
        together = tas.mean("region").to_series()
        monthly = together.resample("MS").mean()
        return monthly.where(together.resample("MS").count() >= least_days)
    days = pd.DatetimeIndex(tas["time"].values)
    by_region = pd.DataFrame(tas.transpose("time", "region").values, index=days).resample("MS")
    known = by_region.mean().where(by_region.count() >= least_days)
    years = range(known.index[0].year, known.index[-1].year + 1)
    whole = pd.date_range(f"{years[0]}-01-01", periods=12 * len(years), freq="MS")
    value = known.reindex(whole).to_numpy().reshape(len(years), 12, -1)
    there = ~np.isnan(value)
    value = np.where(there, value, 0.0)
    shared, level = np.zeros((len(years), 12, 1)), np.zeros(value.shape[1:])
    for _ in range(_ROUNDS):
        level = np.where(there, value - shared, 0.0).sum(0) / np.maximum(there.sum(0), 1)
        departure = np.where(there, value - level, 0.0).sum(-1, keepdims=True)
        shared = departure / np.maximum(there.sum(-1, keepdims=True), 1)
    shared = np.where(there.any(-1, keepdims=True), shared, np.nan)
    return pd.Series(shared.ravel(), index=whole).loc[known.index[0] : known.index[-1]]


def _slope(monthly: pd.Series[float]) -> tuple[float, float]:
    year = pd.DatetimeIndex(monthly.index).year.to_numpy(float)
    value = monthly.to_numpy(float)
    centred = year - year.mean()
    slope = float(centred @ value / (centred @ centred))
    residual = value - value.mean() - slope * centred
    variance = float(residual @ residual / (len(value) - 2) / (centred @ centred))
    return slope, variance


def _donor_days(target: pd.DatetimeIndex, years_back: int) -> pd.DatetimeIndex:
    # DateOffset maps 29 February to 28 February where the donor year has none.
    return pd.DatetimeIndex(target - pd.DateOffset(years=years_back))


def _usable_donors(past: xr.Dataset, target: pd.DatetimeIndex) -> list[int]:
    allowed = load_table("models", "traces.toml").number("missing_share")
    index = past.indexes["time"]
    missing = np.zeros(past.sizes["time"], dtype=bool)
    for variable in past.data_vars.values():
        other = [dim for dim in variable.dims if dim != "time"]
        missing |= variable.isnull().any(other).values
    usable, back = [], 1
    while target[0] - pd.DateOffset(years=back) >= index[0]:
        at = index.get_indexer(_donor_days(target, back))
        if at.min() >= 0 and missing[at].mean() <= allowed:
            usable.append(back)
        back += 1
    return usable


def _day(moment: np.datetime64) -> str:
    return str(moment.astype("datetime64[D]"))
