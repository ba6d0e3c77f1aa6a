"""Short gaps in daily weather: filled by straight lines, said aloud, never past the last value."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from forecast.climate.variables import rules, variables


def fill_short_gaps(
    dataset: xr.Dataset, *, days: int | None = None
) -> tuple[xr.Dataset, dict[str, int]]:
    """Fill gaps of at most `days` days between two known values; count the values filled.

    A gap at either end of a series stays open, whatever its length: filling it would invent a
    value that nobody measured after the end. `days` is 5 unless given (the table `rules.toml`).
    """
    longest = int(rules().number("short_gap.days")) if days is None else days
    filled, counts = dataset.copy(), {}
    for name in (n for n in variables() if n in dataset):
        series = dataset[name].transpose(..., "time")
        values, n_filled = _fill(series.values.astype(float), longest)
        filled[name] = series.copy(data=values).transpose(*dataset[name].dims)
        counts[name] = n_filled
    total = sum(counts.values())
    filled.attrs["gaps_filled"] = (
        f"{total} values in gaps of at most {longest} days, linear between the days around them"
    )
    return filled, counts


def _fill(values: NDArray[np.float64], longest: int) -> tuple[NDArray[np.float64], int]:
    """Fill along the last axis: each gap knows the known days before and after it."""
    known = ~np.isnan(values)
    day = np.broadcast_to(np.arange(values.shape[-1]), values.shape)
    before = np.maximum.accumulate(np.where(known, day, -1), axis=-1)
    last = values.shape[-1]
    after = np.minimum.accumulate(np.where(known, day, last)[..., ::-1], axis=-1)[..., ::-1]
    fill = ~known & (before >= 0) & (after < last) & (after - before - 1 <= longest)
    low = np.take_along_axis(values, np.clip(before, 0, None), axis=-1)
    high = np.take_along_axis(values, np.clip(after, None, last - 1), axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        line = low + (high - low) * (day - before) / (after - before)
    return np.where(fill, line, values), int(fill.sum())
