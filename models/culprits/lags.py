r"""Lags: exposure some days before the itch began, and the wait from the itch to the visit.

What is on record is the visit; what exposure may move is the day :math:`\tau` on which the itch
began, :math:`d` days before. The wait is taken as gamma distributed, in whole days:

.. math:: p_d \propto F(d + 1) - F(d), \quad d = 0 \dots D,

and a lag counts from the itch: window :math:`(a, b)` is the mean of the days :math:`\tau - b` to
:math:`\tau - a`.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.stats import gamma

from models.culprits.risk_sets import CulpritError
from models.parameters import load_table
from models.weeks import DAYS_IN_WEEK

Floats = NDArray[np.float64]


def lag_windows() -> list[tuple[int, int]]:
    """Return the windows of the table: first and last day before the itch began."""
    table = load_table("models.culprits", "culprits.toml")
    return [(int(a), int(b)) for a, b in cast(list[list[int]], table["lag.windows"].value)]


def visit_delay() -> Floats:
    """Return the share of visits that come 0, 1, 2 ... days after the itch began; sums to one."""
    table = load_table("models.culprits", "culprits.toml")
    mean, shape = table.number("visit_delay.mean"), table.number("visit_delay.shape")
    edges = np.arange(int(table.number("visit_delay.longest")) + 1)
    share = np.diff(gamma.cdf(edges, shape, scale=mean / shape))
    return np.asarray(share / share.sum())


def daily(weekly: xr.DataArray) -> xr.DataArray:
    """Return weekly values (Mondays, dim ``week``) on each day of their weeks, dim ``time``."""
    weeks = weekly["week"].values.astype("datetime64[D]")
    if weeks.size and (np.diff(weeks) != np.timedelta64(DAYS_IN_WEEK, "D")).any():
        raise CulpritError(
            f"daily exposure was asked of {weeks.size} weeks from {weeks[0]} with weeks left out; "
            "give every week, empty where it is not known"
        )
    days = (weeks[:, None] + np.arange(DAYS_IN_WEEK)).ravel().astype("datetime64[ns]")
    last = weekly.transpose(..., "week")
    return xr.DataArray(
        np.repeat(last.values, DAYS_IN_WEEK, axis=-1),
        dims=[*last.dims[:-1], "time"],
        coords={n: c for n, c in last.coords.items() if "week" not in c.dims} | {"time": days},
    )


def window_mean(values: Floats, window: tuple[int, int]) -> Floats:
    """Return the mean of the window before each day, values ``(..., day)``; NaN where not known."""
    first, last = window
    moved = [_moved(values, lag) for lag in range(first, last + 1)]
    return np.asarray(np.mean(moved, axis=0))


def smeared(values: Floats, delay: Floats) -> Floats:
    """Return what visits of each day met when their itch began, on average over the wait."""
    total = np.zeros(values.shape)
    for days, share in enumerate(delay):
        if share:
            total += share * _moved(values, days)
    return total


def before_visit(
    values: Floats, region: NDArray[np.int64], at: NDArray[np.int64], *, n: int
) -> Floats:
    """Return values ``(driver, region, day)`` 0 to `n` - 1 days before each row: (row, n, driver).

    NaN before the record's first day.
    """
    days = at[:, None] - np.arange(n)
    found = values[:, region[:, None], np.clip(days, 0, values.shape[-1] - 1)]
    return np.moveaxis(np.where(days >= 0, found, np.nan), 0, -1)


def _moved(values: Floats, days: int) -> Floats:
    if not days:
        return values
    moved = np.full(values.shape, np.nan)
    moved[..., days:] = values[..., :-days]
    return moved
