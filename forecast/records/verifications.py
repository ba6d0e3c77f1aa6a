"""Verified forecasts: what the forecast of a region's week came to, one row each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd
from sqlalchemy import delete, select, tuple_

from forecast.records import tables
from forecast.records.bulk import batches, insert_rows
from forecast.records.engine import Records
from forecast.records.frames import frame

_KEY = ("issue_id", "region_id", "week", "quantity")
NUMBERS = (
    "observed",
    "weighted_interval_score",
    "climatology_score",
    "inside_50",
    "inside_90",
    "odds_high",
)
_COLUMNS = (*_KEY, "vintage_id", "weeks_ahead", *NUMBERS, "was_high")


@dataclass(frozen=True)
class Verification:
    """The scores of one issued week of one region; None is not known.

    Scores are in visits, lower is better; `inside_50` and `inside_90` are shares of the count's
    probability step.
    """

    issue_id: str
    region_id: str
    week: date
    quantity: str
    vintage_id: str
    weeks_ahead: int
    observed: float
    weighted_interval_score: float
    climatology_score: float
    inside_50: float
    inside_90: float
    odds_high: float | None
    was_high: bool | None

    @property
    def key(self) -> tuple[str, str, date, str]:
        """What there is one row of: issue, region, week, quantity."""
        return self.issue_id, self.region_id, self.week, self.quantity


def keep_verifications(records: Records, rows: Sequence[Verification]) -> None:
    """Keep rows; one of the same issue, region, week and quantity takes the place of an older."""
    table = tables.verification
    key = tuple_(*(table.c[name] for name in _KEY))
    for batch in batches(rows):
        values = [
            tuple(
                row.week.isoformat() if name == "week" else getattr(row, name) for name in _COLUMNS
            )
            for row in batch
        ]
        with records.writing() as connection:
            connection.execute(delete(table).where(key.in_([row.key for row in batch])))
            insert_rows(connection, table, _COLUMNS, values)


def verifications(records: Records, *, kind: str) -> pd.DataFrame:
    """Return the rows of issues of one kind, `issued` or `hindcast`, never both, oldest first.

    The columns of `Verification`, and `origin`; numbers are NaN, `was_high` None, where not known.
    """
    table, issue = tables.verification, tables.issue
    query = (
        select(table, issue.c.origin)
        .join(issue, issue.c.id == table.c.issue_id)
        .where(issue.c.kind == kind)
    )
    found = frame(records, query, days=("week", "origin"), numbers=NUMBERS)
    found = found.astype({"weeks_ahead": int})
    return found.sort_values(["origin", "issue_id", "region_id", "week"], ignore_index=True)
