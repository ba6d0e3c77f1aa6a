"""The clock: once a minute it looks what is due, and runs it, one job after the other.

All that it knows is in the ledger, so that it may be ended at any moment and begun anew: what it
missed is made up for, as `jobs.schedule` says, and what was killed is settled first. What people
asked for goes before what is due. A job that fails ends there; it is told, tried again later, and
stops no other.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from forecast.climate import open_climate
from forecast.practice import Practice, open_practice
from forecast.records import open_records, requests
from forecast.records.engine import Records, RecordsError
from forecast.records.requests import WorkRequest
from forecast.records.runs import JobRun, last_runs, running_runs, runs
from jobs.asking import ASKED_FOR
from jobs.job import BUSY, Job, Ran, UnknownJobError, run_job
from jobs.ledger import BY_CLOCK, BY_REQUEST, DONE, RunStoppedError, Starter
from jobs.notices import follow_runs
from jobs.opening import settle
from jobs.registry import JOBS, find_job, jobs_of, timetable
from jobs.schedule import SUCCEEDED, Due, due, waits
from jobs.sources.limits import Clock as SourceClock
from models.errors import ForepawError
from models.parameters import load_table

AS_OF = "as_of"  # what a request may tell a job that can run as of another day


def _never() -> bool:
    return False


def _silent(words: str) -> None:
    del words


@dataclass
class _Tick:
    """One look of the clock: the practice as it stands, and how its moment moves on."""

    folder: Path
    began_at: datetime
    jobs: Sequence[Job]
    say: Callable[[str], None]
    must_stop: Callable[[], bool]
    source_clock: SourceClock | None
    began: float = field(default_factory=time.monotonic)
    done: list[Ran] = field(default_factory=list)

    @property
    def now(self) -> datetime:
        """The moment, moved on by the time that the jobs of this look took."""
        return self.began_at + timedelta(seconds=time.monotonic() - self.began)

    def practice(self) -> Practice:
        """Return the practice with its settings as they are now."""
        return open_practice(self.folder, now=self.now)


def tick(
    folder: Path | str,
    now: datetime,
    *,
    jobs: Sequence[Job] = JOBS,
    say: Callable[[str], None] = _silent,
    must_stop: Callable[[], bool] = _never,
    source_clock: SourceClock | None = None,
) -> list[Ran]:
    """Settle what was killed, run what people asked for, then what is due; return what was run.

    Only a clock that holds `jobs.clock_lock.one_clock` may call it on a practice in use.

    Parameters
    ----------
    now
        The moment of this look, with its offset.
    jobs
        The jobs there are, `jobs.registry.JOBS` unless given.
    say
        Hears what is being done, in a few words without names.
    must_stop
        Says whether to leave off: looked at between jobs, and wherever a job tells of itself.
    source_clock
        What tells time and waits while services are asked; None for the machine's own.

    Raises
    ------
    ForepawError
        If the practice cannot be opened. What a job raises ends with the job.
    """
    look = _Tick(Path(folder), now, jobs, say, must_stop, source_clock)
    practice = look.practice()
    records = open_records(practice)
    try:
        _settle(look, practice, records)
        try:
            _run_requests(look, records)
            _run_due(look, records)
        except RunStoppedError:
            pass  # the ledger has it as stopped; the next clock runs it
    finally:
        records.close()
    return look.done


def whats_due(practice: Practice, records: Records, jobs: Sequence[Job] = JOBS) -> list[Due]:
    """Return what is due at the practice's moment; nothing is run."""
    used = jobs_of(practice, jobs)
    called = {job.name for job in used if job.has_work and _has_work(job, practice, records)}
    return due(
        timetable(practice, used),
        known_runs(practice, records),
        now=practice.now,
        zone=practice.time_zone,
        waits=waits(),
        called=called,
    )


def _has_work(job: Job, practice: Practice, records: Records) -> bool:
    assert job.has_work is not None
    try:
        return job.has_work(practice, records)
    except (ForepawError, OSError):
        return True  # a run tells what is wrong


def known_runs(practice: Practice, records: Records) -> list[JobRun]:
    """Return the runs from which it is told what is due: late ones, and each job's last success."""
    days = load_table("jobs", "schedule.toml").number("clock.remember_runs")
    lately = runs(records, since=practice.now - timedelta(days=days))
    known = {run.id: run for run in last_runs(records, states=SUCCEEDED).values()}
    return list((known | {run.id: run for run in lately}).values())


# ------------------------------------------------------------------------------ one look
def _settle(look: _Tick, practice: Practice, records: Records) -> None:
    if running_runs(records):
        for sentence in settle(practice, records, open_climate(practice)):
            look.say(sentence)
    for sentence in requests.settle_requests(records, now=look.now):
        look.say(sentence)


def _run_due(look: _Tick, records: Records) -> None:
    tried: set[tuple[str, date]] = set()
    while not look.must_stop():
        practice = look.practice()
        waiting = [
            one
            for one in whats_due(practice, records, look.jobs)
            if (one.job, one.local_date) not in tried
        ]
        if not waiting:
            return
        next_one = waiting[0]
        tried.add((next_one.job, next_one.local_date))
        job = find_job(next_one.job, look.jobs)
        starter = Starter(BY_CLOCK, look.must_stop)
        _run(look, practice, records, job, starter=starter, what=next_one)


def _run_requests(look: _Tick, records: Records) -> None:
    while not look.must_stop():
        asked = requests.claim(records, now=look.now)
        if asked is None:
            return
        try:
            job, as_of = _understand(look, asked)
        except ForepawError as refusal:
            _finish(look, records, asked, requests.REFUSED, str(refusal))
            continue
        practice = look.practice()
        report = partial(requests.report_progress, records, asked.id)
        starter = Starter(BY_REQUEST, look.must_stop, report)
        day = practice.now.astimezone(practice.time_zone).date() if as_of is None else as_of
        what = Due(job.name, day, "it was asked for")
        ran = _run(
            look,
            practice,
            records,
            job,
            starter=starter,
            what=what,
            as_of=as_of,
            arguments=asked.arguments,
            begun=partial(requests.note_run, records, asked.id),
        )
        state = requests.DONE if ran.state == DONE else requests.FAILED
        _finish(look, records, asked, state, ran.noted)


def _understand(look: _Tick, asked: WorkRequest) -> tuple[Job, date | None]:
    """Return the job that a request means, and as of which day; refuse what it cannot mean."""
    job = find_job(asked.kind, (*look.jobs, *ASKED_FOR))
    may_be_told = (AS_OF, *job.takes)
    strange = [name for name in asked.arguments if name not in may_be_told]
    if strange:
        raise UnknownJobError(
            f"the job {job.name!r} was asked with {strange[0]!r}; all it can be told is "
            f"{', '.join(may_be_told)}"
        )
    return job, day_asked(job, asked.arguments.get(AS_OF))


def day_asked(job: Job, text: str | None) -> date | None:
    """Return the day that a job is asked to run as of, None for today.

    Raises
    ------
    UnknownJobError
        If the text is no day, or the job cannot run as of another day.
    """
    if text is None:
        return None
    if not job.takes_day:
        raise UnknownJobError(
            f"the job {job.name!r} was asked as of {text}; it runs as of the present day alone"
        )
    try:
        return date.fromisoformat(text)
    except (TypeError, ValueError):
        raise UnknownJobError(
            f"the job {job.name!r} was asked as of {text!r}; write a day as YYYY-MM-DD"
        ) from None


def _finish(look: _Tick, records: Records, asked: WorkRequest, state: str, sentence: str) -> None:
    requests.finish_request(records, asked.id, state=state, result=sentence, now=look.now)


def _run(
    look: _Tick,
    practice: Practice,
    records: Records,
    job: Job,
    *,
    starter: Starter,
    what: Due,
    as_of: date | None = None,
    arguments: Mapping[str, Any] | None = None,
    begun: Callable[[str], None] = lambda run_id: None,
) -> Ran:
    catches_up_each = job.missed == "each" and what.local_date < practice.today
    ran = run_job(
        job,
        practice,
        records,
        local_date=what.local_date,
        as_of=as_of or (what.local_date if catches_up_each else practice.today),
        say=look.say,
        starter=starter,
        why=what.why,
        without=what.without,
        source_clock=look.source_clock,
        arguments=arguments,
        begun=begun,
    )
    if ran.state != BUSY:
        look.done.append(ran)
        try:
            follow_runs(records, now=look.now)
        except RecordsError as error:
            look.say(f"notices could not be kept: {error}")
    return ran
