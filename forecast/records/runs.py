"""The run ledger: which job ran for which local day, on which cut, and how it ended."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id


@dataclass(frozen=True)
class JobRun:
    """One run of a job."""

    id: str
    job: str
    local_date: date
    cut: dict[str, Any] | None
    state: str
    n_rows: int | None
    seconds: float | None
    result: str | None
    started_at: datetime
    started_by: str | None = None
    progress: float | None = None


def start_run(
    records: Records,
    job: str,
    *,
    local_date: date,
    started_at: datetime,
    cut: dict[str, Any] | None = None,
) -> JobRun:
    """Write down that a job starts; its id goes into whatever the job commits elsewhere."""
    run = JobRun(new_id(), job, local_date, cut, "running", None, None, None, started_at)
    with records.writing() as connection:
        connection.execute(tables.job_run.insert().values(vars(run)))
    return run


def finish_run(
    records: Records,
    run_id: str,
    *,
    state: str,
    n_rows: int | None,
    seconds: float,
    result: str,
) -> None:
    """Write down how a running job ended; a run that has ended is never rewritten."""
    table = tables.job_run
    change = update(table).where(table.c.id == run_id, table.c.state == "running")
    change = change.values(state=state, n_rows=n_rows, seconds=seconds, result=result)
    with records.writing() as connection:
        changed = connection.execute(change).rowcount
    if changed != 1:
        raise RecordsError(f"run {run_id!r} was to end as {state}; no such run is under way")


def runs(records: Records, *, job: str | None = None) -> list[JobRun]:
    """Return the runs, oldest first, of one job if asked so."""
    table = tables.job_run
    query = select(table).order_by(table.c.started_at, table.c.id)
    if job is not None:
        query = query.where(table.c.job == job)
    with records.reading() as connection:
        return [JobRun(**row._mapping) for row in connection.execute(query)]
