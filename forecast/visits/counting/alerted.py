"""Weeks after an alert went out: what it moved is no pressure of the season's."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import xarray as xr

from forecast.records.alerts import sent_moments
from forecast.records.engine import Records
from models.parameters import load_table
from models.weeks import monday_of


def mark_alerted(counts: xr.Dataset, records: Records, *, origin: date) -> xr.Dataset:
    """Return counts with the weeks marked in which an alert was sent or had been shortly before.

    Parameters
    ----------
    counts
        Weekly, dims `(region, week)`.
    origin
        Alerts sent before it alone are known; one that was withdrawn was read all the same.

    Returns
    -------
    xarray.Dataset
        With `alerted`, bool; the same without it where no alert bears on any week.
    """
    before = datetime.combine(origin, time(), tzinfo=UTC)
    lasts = timedelta(weeks=load_table(__package__, "alerted.toml").number("alerted.weeks"))
    weeks = counts["week"].values.astype("datetime64[D]")
    places = counts["region"].values.astype(str)
    marked = np.zeros((len(places), len(weeks)), dtype=bool)
    for region, moment in sent_moments(records, before=before):
        first = monday_of(moment.date())
        within = (weeks >= np.datetime64(first)) & (weeks < np.datetime64(first + lasts))
        marked[places == region] |= within
    if not marked.any():
        return counts
    return counts.assign(alerted=(("region", "week"), marked))
