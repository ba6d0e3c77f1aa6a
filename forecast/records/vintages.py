"""Region-week counts as dated vintages: written once, never changed, without any identity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import pandas as pd
from sqlalchemy import select

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.frames import frame
from forecast.records.identifiers import new_id

_COUNTS = (
    "flare_visits",
    "consultations",
    "covered_share",
    "reported_share",
    "flare_visits_so_far",
    "consultations_so_far",
    "full_share",
    "open_share",
)


@dataclass(frozen=True)
class Vintage:
    """What was known of past weeks on a day, under one case definition."""

    id: str
    known_on: date
    made_at: datetime
    case_definition: str
    kind: str


def add_vintage(
    records: Records,
    rows: Sequence[dict[str, Any]],
    *,
    known_on: date,
    made_at: datetime,
    case_definition: str,
    kind: str,
) -> Vintage:
    """Append a vintage; `rows` hold region_id, week and its numbers (None = not known)."""
    vintage = Vintage(new_id(), known_on, made_at, case_definition, kind)
    keyed = [row | {"vintage_id": vintage.id} for row in rows]
    with records.writing() as connection:
        connection.execute(tables.count_vintage.insert().values(vars(vintage)))
        if keyed:
            connection.execute(tables.count_week.insert(), keyed)
    return vintage


def vintages(records: Records) -> list[Vintage]:
    """Return all vintages in the order in which they were known and made."""
    table = tables.count_vintage
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.known_on, table.c.made_at)).all()
    return [Vintage(**row._mapping) for row in rows]


def vintage(records: Records, vintage_id: str) -> Vintage:
    """Return one vintage."""
    found = [v for v in vintages(records) if v.id == vintage_id]
    if not found:
        raise RecordsError(f"vintage {vintage_id!r} was asked for; the records hold no such id")
    return found[0]


def vintage_counts(records: Records, vintage_id: str) -> pd.DataFrame:
    """Return a vintage's rows by region and week, with region_id, week and its numbers."""
    table = tables.count_week
    query = select(table).where(table.c.vintage_id == vintage_id)
    found = frame(records, query, days=("week",), numbers=_COUNTS)
    # sorted here: each database sorts words by rules of its own
    found = found.sort_values(["region_id", "week"], ignore_index=True)
    return found.drop(columns=["vintage_id"])
