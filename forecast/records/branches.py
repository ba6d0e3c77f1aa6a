"""Branches: reading and keeping them; days on which they were closed, or full."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd
from sqlalchemy import Connection, select, update

from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.frames import frame
from forecast.records.imports import visible
from forecast.regions import Branch, parse_opening


def branches(records: Records) -> dict[str, Branch]:
    """Return the branches by id, in the order of their ids."""
    with records.reading() as connection:
        rows = connection.execute(select(tables.branch).order_by(tables.branch.c.id)).all()
    return {
        row.id: Branch(row.id, row.name, row.region_id, *parse_opening(row.open_days))
        for row in rows
    }


def keep_branches(connection: Connection, found: Iterable[Branch]) -> None:
    """Add branches, or bring those already known up to date. Never removes one: visits cite it."""
    table = tables.branch
    known = set(connection.scalars(select(table.c.id)))
    for branch in found:
        values = {
            "name": branch.name,
            "region_id": branch.region_id,
            "open_days": branch.opening,
        }
        if branch.id in known:
            connection.execute(update(table).where(table.c.id == branch.id).values(values))
        else:
            connection.execute(table.insert().values(id=branch.id, **values))


def closures(records: Records) -> pd.DataFrame:
    """Return the days out of the ordinary: branch, date, reason, full; of one day the newest.

    Full is True where the branch was open and its diary full, False where it was closed.
    """
    found = frame(records, visible(tables.closure), days=("date",))
    found = found.rename(columns={"branch_id": "branch"}).drop(columns=["id", "import_id"])
    found = found.drop_duplicates(["branch", "date", "full"], keep="last")
    return found.astype({"full": bool}).reset_index(drop=True)
