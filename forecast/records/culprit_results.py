"""What flare visits were found to follow: one row each time that it was worked out."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import insert, select

from forecast.records import tables
from forecast.records.engine import Records


def add_result(
    records: Records, result: Mapping[str, Any], *, issue_id: str, made_at: datetime
) -> None:
    """Keep a result, worked out on what an issue rests on."""
    values = {"made_at": made_at, "issue_id": issue_id, "result": dict(result)}
    with records.writing() as connection:
        connection.execute(insert(tables.culprit_result).values(**values))


def newest_result(records: Records) -> tuple[datetime, str, dict[str, Any]] | None:
    """Return when the newest result was made, its issue and what it says; None without any."""
    table = tables.culprit_result
    query = select(table.c.made_at, table.c.issue_id, table.c.result)
    with records.reading() as connection:
        row = connection.execute(query.order_by(table.c.id.desc()).limit(1)).first()
    return None if row is None else (row.made_at, row.issue_id, row.result)
