"""The run ledger: which job ran for which local day, on which cut, and how it ended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import func, select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id

RUNNING = "running"


@dataclass(frozen=True)
class JobRun:
    """One run of a job.

    `started_by` is "clock", "hand" or "request" (None: of before this was written down); `progress`
    is the share done, 0 to 1 (None: the job does not tell).
    """

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
    started_by: str = "hand",
) -> JobRun:
    """Write down that a job starts; its id goes into whatever the job commits elsewhere."""
    run = JobRun(new_id(), job, local_date, cut, RUNNING, None, None, None, started_at, started_by)
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
    change = update(table).where(table.c.id == run_id, table.c.state == RUNNING)
    change = change.values(state=state, n_rows=n_rows, seconds=seconds, result=result)
    with records.writing() as connection:
        changed = connection.execute(change).rowcount
    if changed != 1:
        raise RecordsError(f"run {run_id!r} was to end as {state}; no such run is under way")


def report_run_progress(records: Records, run_id: str, share: float) -> None:
    """Write down how much of a running job is done, 0 to 1."""
    _change_running(records, run_id, progress=share)


def note_cut(records: Records, run_id: str, cut: dict[str, Any]) -> None:
    """Write down the cut of a running job that learnt it only after its start."""
    _change_running(records, run_id, cut=cut)


def _change_running(records: Records, run_id: str, **values: Any) -> None:
    table = tables.job_run
    change = update(table).where(table.c.id == run_id, table.c.state == RUNNING)
    with records.writing() as connection:
        connection.execute(change.values(values))


def runs(
    records: Records, *, job: str | None = None, since: datetime | None = None
) -> list[JobRun]:
    """Return the runs, oldest first, of one job and started at or after a moment if asked so."""
    table = tables.job_run
    query = select(table).order_by(table.c.started_at, table.c.id)
    if job is not None:
        query = query.where(table.c.job == job)
    if since is not None:
        query = query.where(table.c.started_at >= since)
    with records.reading() as connection:
        return [JobRun(**row._mapping) for row in connection.execute(query)]


def running_runs(records: Records) -> list[JobRun]:
    """Return the runs that have not ended, oldest first; a killed one is among them."""
    table = tables.job_run
    query = select(table).where(table.c.state == RUNNING)
    with records.reading() as connection:
        rows = connection.execute(query.order_by(table.c.started_at, table.c.id)).all()
    return [JobRun(**row._mapping) for row in rows]


def last_runs(records: Records, *, states: Sequence[str] = ()) -> dict[str, JobRun]:
    """Return the newest run of each job, of those in some states only if asked so."""
    table = tables.job_run
    newest_first = (table.c.started_at.desc(), table.c.id.desc())
    order = func.row_number().over(partition_by=table.c.job, order_by=newest_first)
    ranked = select(table.c.id, order.label("place"))
    if states:
        ranked = ranked.where(table.c.state.in_(states))
    newest = ranked.subquery()
    query = select(table).join(newest, newest.c.id == table.c.id).where(newest.c.place == 1)
    with records.reading() as connection:
        rows = connection.execute(query.order_by(table.c.job)).all()
    return {row.job: JobRun(**row._mapping) for row in rows}
