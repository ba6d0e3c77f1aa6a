"""Short gaps in daily weather: filled by straight lines, said aloud, never past the last value."""

from __future__ import annotations

import numpy as np
import xarray as xr

from forecast.climate.variables import rules, variables
from models.gaps import fill_short_gaps as interpolate_short_gaps


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
        known = series.values.astype(float)
        values = interpolate_short_gaps(known, longest=longest)
        filled[name] = series.copy(data=values).transpose(*dataset[name].dims)
        counts[name] = int(np.isnan(known).sum() - np.isnan(values).sum())
    total = sum(counts.values())
    filled.attrs["gaps_filled"] = (
        f"{total} values in gaps of at most {longest} days, linear between the days around them"
    )
    return filled, counts
