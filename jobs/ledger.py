"""The run ledger: every run of a job with its cut, rows, seconds and how it ended.

A run is written down before it starts, so that one that was killed can be seen; its id goes into
whatever the run commits elsewhere.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.runs import finish_run, start_run
from jobs.opening import running

DONE, FAILED = "done", "failed"


@dataclass
class JobResult:
    """What a run has to say at its end; the job fills it in.

    `failed` marks one that came to its end without all that it was for.
    """

    run_id: str
    rows: int | None = None
    sentence: str = ""
    failed: bool = False
    details: dict[str, Any] = field(default_factory=dict)


@contextmanager
def recorded_run(
    practice: Practice, records: Records, job: str, *, local_date: date, cut: dict[str, Any] | None
) -> Iterator[JobResult]:
    """Write a run down, hand out its result to fill in, and write down how it ended."""
    with running(practice):
        run = start_run(records, job, local_date=local_date, started_at=practice.now, cut=cut)
        result = JobResult(run.id)
        began = time.monotonic()
        state = FAILED
        try:
            yield result
            state = FAILED if result.failed else DONE
        except BaseException as error:
            # the kind of error only: its text may hold a name
            result.sentence = f"stopped by {type(error).__name__}"
            raise
        finally:
            finish_run(
                records,
                run.id,
                state=state,
                n_rows=result.rows,
                seconds=round(time.monotonic() - began, 3),
                result=result.sentence,
            )
