"""What the jobs lend to the pages: how sources stand, what ran and is due, what may be asked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from forecast.climate import ClimateStore
from forecast.pages.outside import JobRow, NotToldError, Outside, RequestKind, SourceRow
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.runs import last_runs
from jobs.clock import known_runs, whats_due
from jobs.clock_lock import running_clock
from jobs.registry import PULL_FORECAST, PULL_POLLEN, PULL_WEATHER, jobs_of, timetable
from jobs.schedule import next_moment, next_try, waits
from jobs.sources.source import SourceError
from jobs.sources.state import source_states

# What a person may ask for with a button; the others run when they are due, or by `forepaw run`.
REQUEST_KINDS = (
    RequestKind(
        PULL_WEATHER, "Pull weather now", "Asks services for the days of weather that are lacking."
    ),
    RequestKind(
        PULL_FORECAST, "Pull the weather forecast now", "Asks services for the newest forecast."
    ),
    RequestKind(
        PULL_POLLEN,
        "Pull pollen and flowering dates now",
        "Asks services for counts and dates that are lacking.",
    ),
    RequestKind(
        "issue", "Issue the forecast now", "Forecasts anew from the newest weather and visits."
    ),
    RequestKind(
        "culprits",
        "Work out anew what flare visits follow",
        "Lays weather and exposure beside the flare visits; it takes a minute or two.",
    ),
    RequestKind("back-up", "Make a back-up now", "Writes all of the practice into one file."),
)


def outside() -> Outside:
    """Return the functions that the pages are lent."""
    return Outside(
        sources=_sources, jobs=_jobs, request_kinds=REQUEST_KINDS, clock_runs=_clock_runs
    )


def _sources(practice: Practice, records: Records, climate: ClimateStore) -> Sequence[SourceRow]:
    try:
        states = source_states(practice, records, climate)
    except SourceError as refused:
        raise NotToldError(str(refused)) from refused
    return [
        SourceRow(
            id=state.source.id,
            kind=state.source.kind,
            newest=min(state.newest.values()) if state.newest else None,
            age_days=state.age,
            allowed_days=state.source.allowance_days,
            is_stale=state.is_stale,
            last_error=state.last_error,
            terms=state.source.terms,
            credit=state.source.credit,
            retrieved_at=state.retrieved_at,
        )
        for state in states
    ]


def _jobs(practice: Practice, records: Records) -> Sequence[JobRow]:
    used = jobs_of(practice)
    due = {one.job for one in whats_due(practice, records)}
    known, last = known_runs(practice, records), last_runs(records)
    now, zone = practice.now, practice.time_zone
    rows = []
    for job, when in zip(used, timetable(practice, used), strict=True):
        run = last.get(job.name)
        coming = next_moment(when, now=now, zone=zone)
        following: datetime | None = coming[1] if coming else None
        if job.name in due:
            following = now
        else:
            own = [one for one in known if one.job == job.name]
            again = next_try(when, own, now=now, zone=zone, waits=waits())
            following = again or following
        rows.append(
            JobRow(
                name=job.name,
                purpose=job.what,
                last_state=run.state if run else "",
                last_at=run.started_at if run else None,
                last_result=(run.result or "") if run else "",
                next_at=following,
            )
        )
    return rows


def _clock_runs(practice: Practice) -> bool:
    return running_clock(practice) is not None
