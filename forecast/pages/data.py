"""The data page: is the data fresh, what ran, what is due, what waits for an answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from typing import Any

from forecast.accounts.roles import Right
from forecast.pages.outside import JobRow, RequestKind, SourceRow
from forecast.pages.page import Asked, Page, View
from forecast.pages.requests import RequestsPage, moment_words, show_requests
from forecast.records.imports import HELD, imported_files
from forecast.records.runs import runs

_RUNS_SHOWN = 40
_RUNS_FROM = timedelta(days=14)
_MINUTE, _HOUR = 60, 3600  # s
_WELL = ("done", "completed")


@dataclass(frozen=True)
class SourceShown:
    """One source in use, with its age and verdict in words."""

    row: SourceRow
    age: str
    verdict: str
    retrieved: str


@dataclass(frozen=True)
class JobShown:
    """One job of the clock, its moments in words."""

    row: JobRow
    last: str
    next: str


@dataclass(frozen=True)
class RunShown:
    """One run of the ledger."""

    job: str
    local_date: date
    state: str
    went_well: bool
    n_rows: int | None
    took: str
    started_by: str
    started_at: datetime
    started: str
    result: str


@dataclass(frozen=True)
class HeldImport:
    """An import that waits for a person."""

    id: int
    subject: str
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class DataPage:
    """What the data page shows.

    Attributes
    ----------
    answer, standing
        Whether the data can be trusted today, in a sentence; and what else stands out.
    kinds
        What this person may ask of the clock.
    fault
        Why it is not known how sources stand, "" where it is.
    """

    answer: str
    standing: tuple[str, ...]
    sources: tuple[SourceShown, ...]
    held: tuple[HeldImport, ...]
    kinds: tuple[RequestKind, ...]
    requests: RequestsPage
    jobs: tuple[JobShown, ...]
    runs: tuple[RunShown, ...]
    may_bring: bool
    fault: str = ""


def _data(asked: Asked) -> View:
    page = _page(asked)
    tables: dict[str, Sequence[dict[str, Any]]] = {
        "sources": [asdict(one.row) for one in page.sources],
        "jobs": [asdict(one.row) for one in page.jobs],
        "runs": [_run_row(one) for one in page.runs],
    }
    return View("data.html", page, tables)


def _page(asked: Asked) -> DataPage:
    assert asked.account is not None
    practice = asked.practice
    rows, fault = asked.outside.told_sources(practice, asked.records, asked.climate)
    sources = tuple(
        SourceShown(row, _age(row), _verdict(row), moment_words(practice, row.retrieved_at))
        for row in rows
    )
    jobs = asked.outside.jobs(practice, asked.records)
    held = tuple(
        HeldImport(one.id, one.subject, one.held_because)
        for one in imported_files(asked.records)
        if one.state == HELD
    )
    may_bring = asked.account.may(Right.BRING_DATA)
    names = {job.name for job in jobs}
    kinds = tuple(kind for kind in asked.outside.request_kinds if kind.kind in names)
    return DataPage(
        answer=_answer(rows, len(held), fault=fault),
        standing=_standing(rows),
        sources=sources,
        held=held,
        kinds=kinds if may_bring else (),
        requests=show_requests(asked),
        jobs=tuple(
            JobShown(job, moment_words(practice, job.last_at), moment_words(practice, job.next_at))
            for job in jobs
        ),
        runs=_runs(asked),
        may_bring=may_bring,
        fault=fault,
    )


def _answer(sources: Sequence[SourceRow], n_held: int, *, fault: str = "") -> str:
    """Say whether the data is fresh; what is not known is never said to be."""
    held = ""
    if n_held:
        waits = "import waits" if n_held == 1 else "imports wait"
        held = f"; {n_held} {waits} for an answer"
    if fault:
        return f"How fresh the data are is not known: the sources cannot be read{held}"
    if not sources:
        return f"No source is in use: weather comes by hand alone{held}"
    stale = [row.id for row in sources if row.is_stale]
    unknown = [row.id for row in sources if row.is_stale is None]
    if not stale and not unknown:
        return f"Every source is as fresh as it should be{held}"
    parts = []
    if stale:
        of = f"{len(stale)} of {len(sources)} {_plural('source', len(sources))}"
        parts.append(f"{of} {'is' if len(stale) == 1 else 'are'} stale, {', '.join(stale)}")
    if len(unknown) == len(sources):
        return f"Nothing has come yet from any source{held}"
    if unknown:
        parts.append(f"from {', '.join(unknown)} nothing has come yet")
    said = "; ".join(parts)
    return f"{said[:1].upper()}{said[1:]}{held}"


def _standing(sources: Sequence[SourceRow]) -> tuple[str, ...]:
    return tuple(
        f"The last pull of {row.id} failed in part or whole: {row.last_error}"
        for row in sources
        if row.last_error
    )


def _age(row: SourceRow) -> str:
    if row.age_days is None:
        return "not known"
    return f"{row.age_days} {_plural('day', row.age_days)} of {row.allowed_days:g} allowed"


def _verdict(row: SourceRow) -> str:
    if row.is_stale is None:
        return "nothing has come yet"
    return "stale" if row.is_stale else "current"


def _plural(word: str, number: int) -> str:
    return word if number == 1 else f"{word}s"


def _runs(asked: Asked) -> tuple[RunShown, ...]:
    practice = asked.practice
    found = runs(asked.records, since=practice.now - _RUNS_FROM)[::-1][:_RUNS_SHOWN]
    return tuple(
        RunShown(
            run.job,
            run.local_date,
            run.state,
            run.state in _WELL,
            run.n_rows,
            _took(run.seconds),
            run.started_by or "not noted",
            run.started_at,
            moment_words(practice, run.started_at),
            run.result or "",
        )
        for run in found
    )


def _took(seconds: float | None) -> str:
    if seconds is None:
        return ""
    if seconds < _MINUTE:
        return f"{seconds:.0f} s"
    return f"{seconds / _MINUTE:.0f} min" if seconds < _HOUR else f"{seconds / _HOUR:.1f} h"


def _run_row(one: RunShown) -> dict[str, Any]:
    return {
        "started_at": one.started_at.isoformat(),
        "job": one.job,
        "local_date": one.local_date.isoformat(),
        "state": one.state,
        "rows": one.n_rows,
        "started_by": one.started_by,
        "result": one.result,
    }


PAGES: Sequence[Page] = (Page("/data", "data", Right.SEE_DATA, _data, has_data=True, menu="Data"),)
