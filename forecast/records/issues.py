"""Issued forecasts: one row an issue, one summary an issue and region."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select

from forecast.records import tables
from forecast.records.engine import Records, RecordsError


@dataclass(frozen=True)
class IssueRow:
    """What the records keep of an issue; the forecast itself is its file."""

    id: str
    issued_at: datetime
    origin: date
    kind: str
    model_hash: str
    settings_sha256: str
    seed: int
    file: str
    file_sha256: str
    climate_snapshot: str
    visit_vintage: str | None


def add_issue(
    records: Records,
    issue: IssueRow,
    *,
    settings_text: str,
    summaries: Mapping[str, Mapping[str, Any]],
) -> None:
    """Record an issue whose file is written; recording the same issue again changes nothing."""
    table = tables.issue
    regional = [
        {"issue_id": issue.id, "region_id": region, "summary": dict(summary)}
        for region, summary in summaries.items()
    ]
    with records.writing() as connection:
        if connection.scalar(select(table.c.id).where(table.c.id == issue.id)) is not None:
            return
        kept = select(tables.settings_text.c.sha256).where(
            tables.settings_text.c.sha256 == issue.settings_sha256
        )
        if connection.scalar(kept) is None:
            connection.execute(
                tables.settings_text.insert().values(
                    sha256=issue.settings_sha256, text=settings_text
                )
            )
        connection.execute(table.insert().values(vars(issue)))
        if regional:
            connection.execute(tables.issue_region.insert(), regional)


def issues(records: Records, *, kind: str | None = None) -> list[IssueRow]:
    """Return the issues, oldest origin first; hindcasts and issued ones only mix if asked so."""
    table = tables.issue
    query = select(table).order_by(table.c.origin, table.c.issued_at, table.c.id)
    if kind is not None:
        query = query.where(table.c.kind == kind)
    with records.reading() as connection:
        return [IssueRow(**row._mapping) for row in connection.execute(query)]


def newest_issue(records: Records) -> IssueRow | None:
    """Return the issue with the latest origin, the last made of several; None before the first."""
    table = tables.issue
    latest = (table.c.origin.desc(), table.c.issued_at.desc(), table.c.id.desc())
    with records.reading() as connection:
        row = connection.execute(select(table).order_by(*latest).limit(1)).first()
    return None if row is None else IssueRow(**row._mapping)


def issue(records: Records, issue_id: str) -> IssueRow:
    """Return one issue."""
    table = tables.issue
    with records.reading() as connection:
        row = connection.execute(select(table).where(table.c.id == issue_id)).first()
    if row is None:
        raise RecordsError(f"issue {issue_id!r} was asked for; the records hold no such id")
    return IssueRow(**row._mapping)


def issue_summaries(records: Records, issue_id: str) -> dict[str, dict[str, Any]]:
    """Return the summary of an issue by region."""
    table = tables.issue_region
    query = select(table.c.region_id, table.c.summary).where(table.c.issue_id == issue_id)
    with records.reading() as connection:
        rows = connection.execute(query.order_by(table.c.region_id)).all()
    return {region: summary for region, summary in rows}


def settings_of(records: Records, issue_id: str) -> str:
    """Return the text of practice.toml under which an issue was made."""
    query = (
        select(tables.settings_text.c.text)
        .join(tables.issue, tables.issue.c.settings_sha256 == tables.settings_text.c.sha256)
        .where(tables.issue.c.id == issue_id)
    )
    with records.reading() as connection:
        text = connection.scalar(query)
    if text is None:
        raise RecordsError(f"issue {issue_id!r} was asked for; the records hold no such id")
    return str(text)
