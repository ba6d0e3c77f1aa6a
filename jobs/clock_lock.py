"""One clock for a practice: a lock on a file of its folder, and one of its database's server.

The file keeps two clocks on one machine apart, the server's lock two machines with folders of their
own. The kernel, and the server, take them back when the process dies.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.practice import Practice

if TYPE_CHECKING:  # whoever only looks, as `jobs.serve` does, stays light
    from forecast.records.engine import Records

CLOCK_LOCK_FILE = "clock.lock"
LOCKS_FOLDER = "locks"  # of jobs, and of who has begun
SERVER_LOCK = 4_610_710  # any number, the same in every process of this service
_TRIES, _PAUSE_SECONDS = 20, 0.05  # whoever looks whether a clock runs holds the lock for a moment


@dataclass(frozen=True)
class RunningClock:
    """The clock that runs: its process, its machine, since when; None where it did not say."""

    process: int | None
    machine: str | None
    since: datetime | None

    @property
    def sentence(self) -> str:
        """Who it is, in a few words."""
        if self.process is None or self.since is None:
            return "a clock of this practice runs already"
        return (
            f"a clock of this practice runs already: process {self.process} on {self.machine}, "
            f"since {self.since:%Y-%m-%d %H:%M} UTC"
        )


@contextmanager
def one_clock(practice: Practice, records: Records) -> Iterator[Callable[[], None]]:
    """Hold the right to be this practice's clock; hand out what looks that it is still held.

    Raises
    ------
    OpeningError
        If another clock runs, here or on another machine.
    """
    from jobs.opening import OpeningError

    path = practice.folder / CLOCK_LOCK_FILE
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        if not _take(handle):
            other = _read(path)
            raise OpeningError(f"{other.sentence}; end that one first, or leave it to its work")
        _introduce(handle, practice.now)
        with records.holding(SERVER_LOCK) as look:
            if look is None:
                raise OpeningError(
                    "a clock runs already on these records, on another machine or from another "
                    "folder; one practice has one clock: end that one first"
                )
            yield look
    finally:
        os.close(handle)


def running_clock(practice: Practice) -> RunningClock | None:
    """Return the clock that runs on this folder, None if there is none; nothing is changed."""
    path = practice.folder / CLOCK_LOCK_FILE
    try:
        handle = os.open(path, os.O_RDONLY)
    except FileNotFoundError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return _read(path)
    finally:
        os.close(handle)
    return None


def _take(handle: int) -> bool:
    for _ in range(_TRIES):
        with suppress(BlockingIOError):
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        time.sleep(_PAUSE_SECONDS)
    return False


def _introduce(handle: int, now: datetime) -> None:
    told = {"process": os.getpid(), "machine": socket.gethostname(), "since": now.isoformat()}
    os.ftruncate(handle, 0)
    os.pwrite(handle, json.dumps(told).encode(), 0)


def _read(path: Path) -> RunningClock:
    try:
        told = json.loads(path.read_text())
        since = datetime.fromisoformat(told["since"])
        return RunningClock(int(told["process"]), str(told["machine"]), since)
    except (OSError, ValueError, KeyError, TypeError):
        return RunningClock(None, None, None)
