"""A job run by hand: here where no clock runs, else asked of the clock and waited for."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime

from forecast.practice import Practice
from forecast.records import open_records, requests
from forecast.records.engine import Records
from jobs.clock import AS_OF, day_asked
from jobs.clock_lock import running_clock
from jobs.job import Job, run_job
from jobs.ledger import DONE, Starter
from jobs.notices import follow_runs
from jobs.opening import open_all
from jobs.registry import find_job
from models.parameters import load_table

ASKED_BY = "command line"


@dataclass(frozen=True)
class RanByHand:
    """What came of a job that a hand started: how it ended, in a word and a sentence."""

    job: str
    state: str
    sentence: str

    @property
    def is_well(self) -> bool:
        """Whether it did all that it was for."""
        return self.state == DONE


def run_by_hand(
    practice: Practice,
    name: str,
    *,
    as_of: date | None,
    say: Callable[[str], None],
    progress: Callable[[float], None] | None = None,
) -> RanByHand:
    """Run a job now and say what came of it.

    Where the clock runs the job is asked of it, so that no two runs get in each other's way, and
    its end is waited for; whoever stops waiting has still asked.

    Raises
    ------
    UnknownJobError
        If there is no such job, or it cannot run as of that day.
    """
    job = find_job(name)
    day = day_asked(job, None if as_of is None else as_of.isoformat())
    if running_clock(practice) is None:
        return _run_here(practice, job, day, say)
    say("the clock of this practice runs: it is asked, and its next look takes it up")
    records = open_records(practice)
    try:
        return _ask_and_wait(practice, records, job, day, progress)
    finally:
        records.close()


def _run_here(
    practice: Practice, job: Job, as_of: date | None, say: Callable[[str], None]
) -> RanByHand:
    records, _ = open_all(practice)
    try:
        ran = run_job(
            job,
            practice,
            records,
            local_date=as_of or practice.now.astimezone(practice.time_zone).date(),
            as_of=as_of or practice.today,
            say=say,
            starter=Starter(),
        )
        follow_runs(records, now=practice.now)
    finally:
        records.close()
    return RanByHand(job.name, ran.state, ran.sentence)


def _ask_and_wait(
    practice: Practice,
    records: Records,
    job: Job,
    as_of: date | None,
    progress: Callable[[float], None] | None,
) -> RanByHand:
    arguments = {} if as_of is None else {AS_OF: as_of.isoformat()}
    now = datetime.now(UTC)
    asked = requests.ask(records, job.name, arguments, asked_by=ASKED_BY, asked_at=now)
    every = load_table("jobs", "schedule.toml").number("clock.follow_every")
    while asked.ended_at is None:
        if running_clock(practice) is None:
            sentence = "the clock ended meanwhile; its next start takes the request up"
            return RanByHand(job.name, asked.state, sentence)
        time.sleep(every)
        asked = requests.request(records, asked.id)
        if progress is not None and asked.progress is not None:
            progress(asked.progress)
    return RanByHand(job.name, asked.state, asked.result or "")
