"""Closures ahead: what share of a region's usual volume its listed closures leave of each week.

Public holidays take nothing here: they come back every year, and the weeks that hold them are
learnt from. A branch weighs by its visits of the last year.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import xarray as xr

from forecast.practice import Practice
from forecast.records import Records, visits
from forecast.records.branches import branches, closures
from forecast.regions import Branch
from forecast.visits.counting.volume import public_holidays
from forecast.visits.rules import VisitError
from models.weeks import DAYS_IN_WEEK, week_range

_WEIGHED_DAYS = 364  # whole weeks, so that every weekday counts as often


def open_share_ahead(
    practice: Practice, records: Records, *, origin: date, n_weeks: int
) -> xr.DataArray | None:
    """Return the share of the usual volume that is left by closures listed for days to come.

    Returns
    -------
    xarray.DataArray or None
        Dims ``(region, week)`` [1], weeks from the one that holds the origin on; regions without a
        branch are NaN. None where nothing is listed for those weeks.
    """
    weeks = week_range(origin, n_weeks)
    listed = closures(records)
    within = (listed["date"] >= weeks[0]) & (listed["date"] < weeks[-1] + pd.Timedelta(weeks=1))
    closed = listed.loc[within & ~listed["full"]]
    if closed.empty:
        return None
    days = pd.date_range(weeks[0], periods=DAYS_IN_WEEK * n_weeks, freq="D")
    holidays = days.isin(_holidays(days, practice))
    weight, held = _weights(records, origin), branches(records)
    names = [section.id for section in practice.settings.region]
    share = np.full((len(names), n_weeks), np.nan)
    for row, region in enumerate(names):
        own = [one for one in held.values() if one.region_id == region]
        if not own:
            continue
        parts = np.stack([_open(one, days, holidays, closed) for one in own])
        heavy = np.array([weight.get(one.id, 0.0) for one in own])
        heavy = heavy if heavy.any() else np.ones(len(own))
        share[row] = np.average(parts, axis=0, weights=heavy)
    return xr.DataArray(
        share,
        dims=("region", "week"),
        coords={"region": np.array(names, dtype=object), "week": weeks},
    )


def _open(
    branch: Branch, days: pd.DatetimeIndex, holidays: np.ndarray, closed: pd.DataFrame
) -> np.ndarray:
    """Return the share of each week's usual days of a branch that are not closed."""
    usual = np.array([branch.is_open(day.date()) for day in days]) & ~holidays
    shut = usual & days.isin(closed.loc[closed["branch"] == branch.id, "date"])
    n_usual, n_shut = (one.reshape(-1, DAYS_IN_WEEK).sum(axis=1) for one in (usual, shut))
    return np.asarray(1.0 - n_shut / np.maximum(n_usual, 1))


def _weights(records: Records, origin: date) -> dict[str, float]:
    seen = visits.visits(records)
    first = pd.Timestamp(origin - timedelta(days=_WEIGHED_DAYS))
    lately = seen.loc[(seen["date"] >= first) & (seen["date"] < pd.Timestamp(origin))]
    return {str(branch): float(n) for branch, n in lately.groupby("branch").size().items()}


def _holidays(days: pd.DatetimeIndex, practice: Practice) -> list[pd.Timestamp]:
    try:
        return public_holidays(days, practice.settings.practice.country)
    except VisitError:
        return []  # as in the counts: a country whose holidays are not known stops nothing
