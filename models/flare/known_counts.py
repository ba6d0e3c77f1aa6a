"""What the members that follow recent weeks read: counts, and what they are counted against."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.parameters import load_table

Array = NDArray[np.float64]
LARGEST_LOG_MEAN = 18.0  # 65 million a week: a draw beyond is an overflow, not a forecast


def known_counts(counts: xr.DataArray, offset: xr.DataArray) -> tuple[Array, Array]:
    """Return counts and what they are counted against ``(region, week)``, zero where unknown.

    `counts` and `offset`, the known part of their log-mean, have dims ``(region, week)``.
    """
    y = counts.transpose("region", "week").values.astype(float)
    known_part = offset.transpose("region", "week").values
    known = np.isfinite(y) & np.isfinite(known_part)
    return np.where(known, y, 0.0), np.where(known, np.exp(np.where(known, known_part, 0.0)), 0.0)


def log_rates(y: Array, exposed: Array) -> Array:
    """Return the log of each region's mean rate, drawn a little to that of all.

    `y` and `exposed` are what `known_counts` returned.
    """
    common = (y.sum() + 0.5) / exposed.sum()
    extra = pseudo_count()
    rates: Array = np.log((y.sum(1) + extra) / (exposed.sum(1) + extra / common))
    return rates


def pseudo_count() -> float:
    """Return the visits of usual weeks that are added, so that a log without any is finite."""
    return load_table("models.flare", "flare.toml").number("direct_lag.pseudo_count")
