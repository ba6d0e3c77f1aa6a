"""Visits as read from the practice's exports."""

from __future__ import annotations

import pandas as pd

from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.frames import frame
from forecast.records.imports import visible


def visits(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return the live visits: reference, date, branch, dog, kind.

    Exports overlap, so a visit (branch and reference) may come several times: the newest counts.
    """
    query = visible(tables.visit)
    if dog_id is not None:
        query = query.where(tables.visit.c.dog_id == dog_id)
    found = frame(records, query, days=("date",))
    found = found.rename(columns={"branch_id": "branch", "dog_id": "dog"})
    newest = found.drop_duplicates(["branch", "reference"], keep="last")
    return newest[["reference", "date", "branch", "dog", "kind"]].reset_index(drop=True)
