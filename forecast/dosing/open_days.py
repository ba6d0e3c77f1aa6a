"""The days ahead on which a branch gives doses: its opening days but for holidays and closures."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import pandas as pd

from forecast.practice import Practice
from forecast.records import branches as branch_records
from forecast.records.engine import Records
from forecast.regions import Branch
from forecast.visits.counting.volume import public_holidays


def open_days(
    practice: Practice, records: Records, first: date, n_days: int
) -> Mapping[str, frozenset[date]]:
    """Return by branch the days on which it gives doses, from a day on.

    Left out are the public holidays of the practice's country, where that is said, and the days on
    which a branch is recorded as closed, or its diary as full.
    """
    days = pd.date_range(first, periods=n_days, freq="D")
    off = {day.date() for day in public_holidays(days, practice.settings.practice.country)}
    shut = branch_records.closures(records)
    found = {}
    for branch in branch_records.branches(records).values():
        closed = {day.date() for day in shut.loc[shut["branch"] == branch.id, "date"]}
        found[branch.id] = open_days_of(branch, first, n_days) - off - closed
    return found


def open_days_of(branch: Branch, first: date, n_days: int) -> frozenset[date]:
    """Return the days of the week on which a branch opens, from a day on."""
    days = (stamp.date() for stamp in pd.date_range(first, periods=n_days, freq="D"))
    return frozenset(day for day in days if branch.is_open(day))
