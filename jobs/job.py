"""What a job is, and how one is run: alone, written down, its refusal a sentence and no more."""

from __future__ import annotations

import fcntl
import logging
import os
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal

from forecast.backup.errors import BackupError
from forecast.climate import ClimateStore, open_climate
from forecast.climate.errors import ClimateError
from forecast.cut import CutError
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.regions import RegionError
from jobs.clock_lock import LOCKS_FOLDER
from jobs.ledger import (
    BY_HAND,
    DONE,
    FAILED,
    JobResult,
    Starter,
    leave_off_if_told,
    recorded_run,
    started_by,
)
from jobs.logs import logger, tell
from jobs.opening import OpeningError
from jobs.sources.limits import Clock
from jobs.sources.source import SourceError
from models.errors import ForepawError

FAILURES_FOLDER = "failures"
BUSY = "busy"  # not run: it is running already; nothing is written down
# Refusals whose sentences never hold what the records hold, so that anybody may be told them.
_FIT_FOR_ALL = (CutError, ClimateError, RegionError, SourceError, BackupError, OpeningError)


class UnknownJobError(ForepawError):
    """No job of that name, or it cannot be asked for that way."""


@dataclass(frozen=True)
class Task:
    """What a job is given.

    Attributes
    ----------
    as_of
        Use only what was known before this day.
    result
        To be filled in; `result.tell` hears the share done, 0 to 1.
    say
        Hears what is being done, in a few words without names.
    by_hand
        Whether a person waits for it.
    source_clock
        What tells time and waits while services are asked; None for the machine's own.
    arguments
        What was asked of a job that takes more than a day.
    """

    practice: Practice
    records: Records
    climate: ClimateStore
    as_of: date
    result: JobResult
    say: Callable[[str], None]
    by_hand: bool = False
    source_clock: Clock | None = None
    arguments: Mapping[str, Any] = field(default_factory=dict)


def _always(practice: Practice) -> bool:
    return True


@dataclass(frozen=True)
class Job:
    """One job: what it does, when it may run, what it waits for. See `jobs.schedule.Timetable`.

    Attributes
    ----------
    what
        What it does, in a few words that complete "this job ...".
    has_work
        For a job without a time of day: whether there is something for it to do.
    applies
        Whether this practice has use for it at all.
    takes_day
        Whether it can be run as of a day gone by.
    takes
        Names of what a request may tell it besides.
    """

    name: str
    what: str
    run: Callable[[Task], None]
    needs: tuple[str, ...] = ()
    feeds: tuple[str, ...] = ()
    missed: Literal["newest", "each"] = "newest"
    has_work: Callable[[Practice, Records], bool] | None = None
    applies: Callable[[Practice], bool] = _always
    takes_day: bool = False
    takes: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """Its name in practice.toml and in tables."""
        return setting_key(self.name)


def setting_key(name: str) -> str:
    """Return the name of a job as practice.toml writes it."""
    return name.strip().lower().replace(" ", "_").replace("-", "_")


@dataclass(frozen=True)
class Ran:
    """What came of a job: `sentence` is for a person here, `noted` is what the ledger holds.

    `sentence` may hold a name; `noted` never does. `run_id` is empty where nothing could be written
    down.
    """

    job: str
    local_date: date
    state: str
    sentence: str
    noted: str
    run_id: str = ""
    rows: int | None = None
    why: str = ""
    without: tuple[str, ...] = ()


def run_job(
    job: Job,
    practice: Practice,
    records: Records,
    *,
    local_date: date,
    as_of: date,
    say: Callable[[str], None],
    starter: Starter,
    why: str = "",
    without: tuple[str, ...] = (),
    source_clock: Clock | None = None,
    arguments: Mapping[str, Any] | None = None,
    begun: Callable[[str], None] = lambda run_id: None,
) -> Ran:
    """Run a job and say what came of it; whatever it raises ends there.

    Parameters
    ----------
    local_date
        The date that it is run for.
    source_clock, arguments
        See `Task`.
    begun
        Hears the id of its run as soon as there is one.

    Raises
    ------
    RunStoppedError
        If the process was told to end and the job left off.
    """
    made = JobResult("")

    def ran(state: str, sentence: str, noted: str) -> Ran:
        rows, run_id = made.rows, made.run_id
        return Ran(job.name, local_date, state, sentence, noted, run_id, rows, why, without)

    def hear(words: str) -> None:
        leave_off_if_told()  # a job that tells no progress still says what it is at
        say(words)

    failure = None
    try:
        with alone(practice, job.name) as is_alone:
            if not is_alone:
                words = "it is running already, started by another process"
                return ran(BUSY, words, words)
            with (
                started_by(starter),
                recorded_run(practice, records, job.name, local_date=local_date, cut=None) as made,
            ):
                begun(made.run_id)
                try:
                    job.run(
                        Task(
                            practice,
                            records,
                            open_climate(practice),
                            as_of,
                            made,
                            hear,
                            by_hand=starter.name == BY_HAND,
                            source_clock=source_clock,
                            arguments=arguments or {},
                        )
                    )
                except Exception as error:
                    failure = _keep_failure(practice, job, error)
                    made.failed, made.sentence = True, failure.noted
                if without:
                    gone_on = f"went on without today's {', '.join(without)}"
                    made.sentence = "; ".join(filter(None, [made.sentence, gone_on]))
    except (ForepawError, OSError) as refusal:  # of the ledger or the lock: nothing could be kept
        return ran(FAILED, str(refusal), f"stopped by {type(refusal).__name__}")
    if failure is not None:
        return ran(FAILED, failure.sentence, made.sentence)
    if not made.failed:
        _failure_file(practice, job).unlink(missing_ok=True)
    return ran(FAILED if made.failed else DONE, made.sentence, made.sentence)


@dataclass(frozen=True)
class _Failure:
    """Why a job raised: for a person here, and as anybody may be told."""

    sentence: str
    noted: str


def _failure_file(practice: Practice, job: Job) -> Path:
    return practice.folder / FAILURES_FOLDER / f"{job.key}.txt"


def _keep_failure(practice: Practice, job: Job, error: Exception) -> _Failure:
    """Keep the whole story in the practice folder, as it may hold a name; say what may be told."""
    kind, file = type(error).__name__, _failure_file(practice, job)
    if isinstance(error, _FIT_FOR_ALL):
        return _Failure(str(error), str(error))
    story, sentence = str(error), str(error)
    if not isinstance(error, ForepawError):
        story = "".join(traceback.format_exception(error))
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{os.path.basename(place.filename)} line {place.lineno}"
        sentence = f"a fault of the program: {kind} in {where}"
        tell(
            logger("jobs"),
            "a job was stopped by a fault of the program",
            level=logging.ERROR,
            job=job.name,
            error=kind,
            at=where,
        )
    try:
        file.parent.mkdir(mode=0o700, exist_ok=True)
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            out.write(f"{practice.now:%Y-%m-%d %H:%M} UTC\n{story}\n")
    except OSError:
        return _Failure(sentence, f"stopped by {kind}")
    told = f"stopped by {kind}; {FAILURES_FOLDER}/{file.name} in the practice folder says why"
    return _Failure(sentence, told)


@contextmanager
def alone(practice: Practice, name: str) -> Iterator[bool]:
    """Hold the right to run a job on this practice; hand out whether it was to be had."""
    folder = practice.folder / LOCKS_FOLDER
    folder.mkdir(mode=0o700, exist_ok=True)
    handle = os.open(folder / f"{setting_key(name)}.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
    finally:
        os.close(handle)
