"""The clock's process: one for a practice, that looks once a minute until it is told to end."""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import FrameType

from sqlalchemy.exc import SQLAlchemyError

from forecast.pages.opened import utc_now
from forecast.practice import SETTINGS_FILE, Practice, PracticeError, open_practice
from forecast.records import open_records
from forecast.records.engine import Records, RecordsError
from forecast.records.requests import WAITING, requests
from jobs.clock import tick
from jobs.clock_lock import one_clock
from jobs.job import Job
from jobs.logs import logger, tell
from jobs.notices import end_for, raise_for
from jobs.opening import open_all
from jobs.registry import JOBS
from jobs.send import send
from models.errors import ForepawError
from models.parameters import load_table

log = logger("clock")
_WRONG_SETTINGS = (
    "it cannot be used since it was edited, and nothing runs until it is mended; `forepaw doctor` "
    "says what is wrong"
)


def run_clock(
    folder: Path | str,
    *,
    ready: Callable[[Practice], None],
    jobs: Sequence[Job] = JOBS,
    now: Callable[[], datetime] = utc_now,
    every: float | None = None,
) -> int:
    """Be the clock of a practice until told to end; return the exit code.

    SIGTERM and SIGINT let the job that runs leave off where it can; if it does not within the limit
    of the table, the process ends all the same, and the next start settles that run.

    Parameters
    ----------
    ready
        Hears the practice once the clock is its only one and begins.
    jobs
        The jobs there are.
    now
        Tells the moment; the demo stands at another.
    every
        Seconds between two looks, those of the table unless given.

    Raises
    ------
    ForepawError
        If the practice cannot be opened, or another clock runs.
    """
    from apscheduler.schedulers.background import BackgroundScheduler

    table = load_table("jobs", "schedule.toml")
    every = table.number("clock.tick_every") if every is None else every
    practice = open_practice(folder, now=now())
    records, _ = open_all(practice)
    stop, idle = threading.Event(), threading.Event()
    idle.set()
    failed: list[ForepawError] = []

    def end(signal_number: int, frame: FrameType | None) -> None:
        stop.set()

    try:
        with one_clock(practice, records) as look_at_lock:
            for number in (signal.SIGTERM, signal.SIGINT):
                signal.signal(number, end)
            fire = Look(practice, jobs, look_at_lock, stop, idle, failed, now)
            listen = partial(fire.if_asked, records)
            scheduler = BackgroundScheduler(timezone=UTC)
            scheduler.add_job(
                fire,
                "interval",
                seconds=every,
                next_run_time=datetime.now(UTC),
                max_instances=1,
                coalesce=True,
                misfire_grace_time=int(table.number("clock.misfire_after")),
            )
            scheduler.add_job(
                listen,
                "interval",
                seconds=int(table.number("clock.listen_every")),
                max_instances=1,
                coalesce=True,
            )
            scheduler.start()
            ready(practice)
            stop.wait()
            scheduler.shutdown(wait=False)
            if not idle.wait(table.number("clock.leave_off_within")):
                tell(log, "ended while a job ran; the next start settles it", level=logging.WARNING)
                sys.stderr.flush()
                sys.stdout.flush()
                os._exit(0)
    finally:
        records.close()
    if failed:
        raise failed[0]
    return 0


@dataclass
class Look:
    """What the scheduler calls once a minute: one look, whose failure is told once and no more.

    `practice` is as it was when it could last be opened.
    """

    practice: Practice
    jobs: Sequence[Job]
    look_at_lock: Callable[[], None]
    stop: threading.Event
    idle: threading.Event
    failed: list[ForepawError]
    moment: Callable[[], datetime] = utc_now
    told: str = ""
    one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def __call__(self) -> None:
        """Look once."""
        with self.one_at_a_time:
            self.idle.clear()
            try:
                self._look()
            finally:
                self.idle.set()

    def if_asked(self, records: Records) -> None:
        """Look at once where a request waits, as a person waits with it; not while it looks."""
        if self.one_at_a_time.locked() or self.stop.is_set():
            return
        try:
            is_asked = bool(requests(records, states=(WAITING,)))
        except (RecordsError, SQLAlchemyError, OSError):
            return  # the look of the minute meets the same and tells of it
        if is_asked:
            self()

    def _look(self) -> None:
        try:
            self.look_at_lock()
        except RecordsError as lost:
            self.failed.append(lost)
            self.stop.set()
            return
        now = self.moment()
        try:
            self.practice = open_practice(self.practice.folder, now=now)
            tick(self.practice.folder, now, jobs=self.jobs, must_stop=self.stop.is_set)
        except Exception as error:
            # it may pass: a full disk, records that are away, a slip in practice.toml
            kind = type(error).__name__
            if kind != self.told:
                tell(log, "could not look what is due", level=logging.ERROR, error=kind)
            self.told = kind
            if isinstance(error, PracticeError):
                self._tell_of_settings(now, is_wrong=True)
        else:
            if self.told:
                tell(log, "looks what is due again")
                self._tell_of_settings(now, is_wrong=False)
            self.told = ""

    def _tell_of_settings(self, now: datetime, *, is_wrong: bool) -> None:
        """Tell of a slip in practice.toml along the ways that it named before; run nothing else."""
        practice = replace(self.practice, now=now)
        records = open_records(practice)
        try:
            if is_wrong:
                raise_for(records, SETTINGS_FILE, _WRONG_SETTINGS, now=now)
                send(practice, records, say=lambda words: None)
            else:
                end_for(records, SETTINGS_FILE, now=now)
        except ForepawError as error:
            tell(log, "could not tell of it", level=logging.ERROR, error=type(error).__name__)
        finally:
            records.close()
