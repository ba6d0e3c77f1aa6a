"""Opening a practice: its stores, and what a killed process left half done.

A running job holds a shared lock on the practice. Where nobody holds it, no job runs, so a run that
the ledger calls running was killed: what it had committed is completed, the rest is swept.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from forecast.array_files import ArrayFileError
from forecast.climate import ClimateStore, open_climate
from forecast.issue_files import DRAWS_FOLDER, draws_file
from forecast.issuing import keep_issue, read_issue
from forecast.practice import Practice
from forecast.privacy import replay_erasures
from forecast.records import open_records
from forecast.records.engine import Records
from forecast.records.imports import sweep_pending
from forecast.records.issues import issues
from forecast.records.runs import finish_run, running_runs
from forecast.records.strangers import sweep_unregistered
from models.errors import ForepawError

LOCK_FILE, PULL_LOCK_FILE = "running.lock", "pulling.lock"
COMPLETED, SWEPT, CUT_SHORT = "completed", "swept", "cut short"
PULL_PREFIX = "pull "  # a pull of a source commits on the way, so a commit of it is not all of it


class OpeningError(ForepawError):
    """The practice cannot be used that way now."""


def open_all(practice: Practice) -> tuple[Records, ClimateStore]:
    """Open the stores; if no job runs, first settle what a killed one left."""
    records, climate = open_records(practice), open_climate(practice)
    settle(practice, records, climate)
    return records, climate


@contextmanager
def running(practice: Practice) -> Iterator[None]:
    """Hold the mark of a running job; the kernel takes it back when the process dies."""
    handle = os.open(practice.folder / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_SH)
        yield
    finally:
        os.close(handle)


@contextmanager
def pulling_alone(practice: Practice) -> Iterator[None]:
    """Hold the right to pull: two at once would ask services for the same days twice."""
    handle = os.open(practice.folder / PULL_LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OpeningError(
                "a pull was asked while another pull of this practice is running; nothing was "
                "asked of any service: run it again when the other has ended"
            ) from None
        yield
    finally:
        os.close(handle)


def settle(practice: Practice, records: Records, climate: ClimateStore) -> list[str]:
    """Complete or sweep what killed runs left; say what was done. Nothing while a job runs."""
    handle = os.open(practice.folder / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return []
        return _settle(practice, records, climate)
    finally:
        os.close(handle)


def _settle(practice: Practice, records: Records, climate: ClimateStore) -> list[str]:
    done = [f"removed {path.name}" for path in _partial_files(practice)]
    done += _complete_issues(practice, records, climate)
    if n_erasures := replay_erasures(practice, records).n_erasures:
        done.append(f"erased again {n_erasures} owners whom a back-up had brought back")
    dead = running_runs(records)
    # every pending import is a dead one, killed or left off: a living one would hold the lock
    sweep_pending(records, practice.now + timedelta(days=1))
    if dead:
        sweep_unregistered(records)
    for run in dead:
        committed = climate.snapshot_of_run(run.id) is not None
        completed = committed or any(run.id in line for line in done)
        state, result = COMPLETED if completed else SWEPT, "its process was killed"
        if committed and run.job.startswith(PULL_PREFIX):
            state = CUT_SHORT
            result += "; what had come is kept, and the next pull asks for the rest"
        finish_run(records, run.id, state=state, n_rows=None, seconds=0.0, result=result)
        done.append(f"{state} {run.job} of {run.started_at:%Y-%m-%d %H:%M}")
    return done


def _partial_files(practice: Practice) -> list[Path]:
    issued = practice.issued_folder
    folders = (issued, issued / DRAWS_FOLDER, practice.trained_folder)
    found = [path for folder in folders for path in folder.glob(".*.part")]
    for path in found:
        path.unlink(missing_ok=True)
    return found


def _complete_issues(practice: Practice, records: Records, climate: ClimateStore) -> list[str]:
    """Write the row of every whole issue file that has none; set a broken one aside."""
    rows = {row.file for row in issues(records)}
    done = []
    for path in sorted((practice.issued_folder / DRAWS_FOLDER).glob("*.nc")):
        if path.name not in rows and not (practice.issued_folder / path.name).exists():
            path.unlink()  # its process was killed between the two files of an issue
            done.append(f"removed the draws {path.name} of an issue that was not made")
    for path in sorted(practice.issued_folder.glob("*.nc")):
        if path.name in rows:
            continue
        try:
            issue = read_issue(path)
        except ArrayFileError:
            for part in (path, draws_file(path)):
                if part.exists():
                    part.rename(part.with_suffix(".broken"))
            done.append(f"set {path.name} aside: it is not whole")
            continue
        keep_issue(records, climate, issue)
        done.append(f"completed issue {issue.id} of run {issue.forecast.attrs['run_id']}")
    return done
