"""One writer at a time: a file lock that the kernel gives back when its process dies."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from forecast.climate.errors import ClimateError

_FILE = "writer.lock"
_PAUSE_SECONDS = 0.05


@contextmanager
def writer_lock(folder: Path, wait_seconds: float) -> Iterator[None]:
    """Hold the right to write to the climate store, from session open to commit.

    Two writers at once would silently lose commits of one of them.
    """
    handle = os.open(folder / _FILE, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _wait(handle, folder, wait_seconds)
        yield
    finally:
        os.close(handle)


def _wait(handle: int, folder: Path, wait_seconds: float) -> None:
    give_up = time.monotonic() + wait_seconds
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= give_up:
                raise ClimateError(
                    f"the climate store {folder} is being written to by another process and did "
                    f"not become free within {wait_seconds:g} s; try again when it has finished"
                ) from None
            time.sleep(_PAUSE_SECONDS)
        else:
            return
