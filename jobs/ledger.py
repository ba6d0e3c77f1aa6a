"""The run ledger: every run of a job with its cut, rows, seconds and how it ended.

A run is written down before it starts, so that one that was killed can be seen; its id goes into
whatever the run commits elsewhere. A job that is run by the clock, or by `forepaw run`, is written
down by whoever runs it; where the job itself then writes down a run of the same name, that is the
same run: one row, whoever started it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from forecast.practice import Practice
from forecast.records.engine import Records, RecordsError
from forecast.records.runs import finish_run, note_cut, report_run_progress, start_run
from jobs.logs import run_ended
from jobs.opening import running

DONE, FAILED, STOPPED = "done", "failed", "stopped"
PROGRESS_EVERY_SECONDS = 1.0  # every telling is a commit that others wait for
BY_CLOCK, BY_HAND, BY_REQUEST = "clock", "hand", "request"


class RunStoppedError(BaseException):
    """The process was told to end, and the run left off where it could.

    No ForepawError, nor any Exception: a job that goes on after a failure must not go on after it.
    """


def _never() -> bool:
    return False


@dataclass(frozen=True)
class Starter:
    """Who starts runs: the clock, a hand or a request; and whether they have to leave off."""

    name: str = BY_HAND
    must_stop: Callable[[], bool] = _never
    hears_progress: Callable[[float], None] | None = None


@dataclass
class JobResult:
    """What a run has to say at its end; the job fills it in.

    `failed` marks one that came to its end without all that it was for. `tell` hears the share
    done, from 0 to 1; a run that has to leave off does so there.
    """

    run_id: str
    rows: int | None = None
    sentence: str = ""
    failed: bool = False
    details: dict[str, Any] = field(default_factory=dict)
    tell: Callable[[float], None] = field(default=lambda share: None, repr=False)


_A_HAND = Starter()
_starter: ContextVar[Starter] = ContextVar("starter", default=_A_HAND)
_enclosing: ContextVar[tuple[str, JobResult] | None] = ContextVar("enclosing", default=None)


@contextmanager
def started_by(starter: Starter) -> Iterator[None]:
    """Write down the runs that begin inside as this starter's."""
    token = _starter.set(starter)
    try:
        yield
    finally:
        _starter.reset(token)


def leave_off_if_told() -> None:
    """Raise `RunStoppedError` where the process was told to end."""
    if _starter.get().must_stop():
        raise RunStoppedError("the run left off, as its process was told to end")


@contextmanager
def recorded_run(
    practice: Practice, records: Records, job: str, *, local_date: date, cut: dict[str, Any] | None
) -> Iterator[JobResult]:
    """Write a run down, hand out its result to fill in, and write down how it ended.

    Inside a run of the same job that run's result is handed out.
    """
    outer = _enclosing.get()
    if outer is not None and outer[0] == job:
        if cut is not None:
            note_cut(records, outer[1].run_id, cut)
        yield outer[1]
        return
    with running(practice):
        starter = _starter.get()
        run = start_run(
            records,
            job,
            local_date=local_date,
            started_at=practice.now,
            cut=cut,
            started_by=starter.name,
        )
        result = JobResult(run.id)
        result.tell = _teller(records, run.id, starter)
        began = time.monotonic()
        state = FAILED
        token = _enclosing.set((job, result))
        try:
            yield result
            state = FAILED if result.failed else DONE
        except RunStoppedError as stop:
            state, result.sentence = STOPPED, str(stop)
            raise
        except BaseException as error:
            # the kind of error only: its text may hold a name
            result.sentence = f"stopped by {type(error).__name__}"
            raise
        finally:
            _enclosing.reset(token)
            ended = replace(
                run,
                state=state,
                n_rows=result.rows,
                seconds=round(time.monotonic() - began, 3),
                result=result.sentence,
            )
            run_ended(ended)
            finish_run(
                records,
                ended.id,
                state=state,
                n_rows=ended.n_rows,
                seconds=ended.seconds or 0.0,
                result=result.sentence,
            )


def _teller(records: Records, run_id: str, starter: Starter) -> Callable[[float], None]:
    """Return what writes the share done down, at most once a second."""
    told_at = -PROGRESS_EVERY_SECONDS

    def tell(share: float) -> None:
        nonlocal told_at
        leave_off_if_told()
        if time.monotonic() - told_at < PROGRESS_EVERY_SECONDS:
            return
        told_at = time.monotonic()
        try:
            report_run_progress(records, run_id, min(1.0, max(0.0, share)))
            if starter.hears_progress is not None:
                starter.hears_progress(share)
        except RecordsError:
            # news of a run is worth less than the run: no more is told of this one
            told_at = float("inf")

    return tell
