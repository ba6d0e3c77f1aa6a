"""One writer at a time, and no clean-up under a back-up: file locks that die with their process."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from forecast.climate.errors import ClimateError

_WRITER, _KEEPER = "writer.lock", "clean_up.lock"
_PAUSE_SECONDS = 0.05


@contextmanager
def writer_lock(folder: Path, wait_seconds: float) -> Iterator[None]:
    """Hold the right to write to the climate store, from session open to commit.

    Two writers at once would silently lose commits of one of them.
    """
    refusal = (
        f"the climate store {folder} is being written to by another process and did not become "
        f"free within {wait_seconds:g} s; try again when it has finished"
    )
    with _held(folder / _WRITER, fcntl.LOCK_EX, wait_seconds, refusal):
        yield


@contextmanager
def clean_up_lock(folder: Path, wait_seconds: float) -> Iterator[None]:
    """Hold the right to delete from the climate store; refused while it is being copied."""
    refusal = (
        f"the climate store {folder} is being copied into a back-up, which did not end within "
        f"{wait_seconds:g} s; nothing was cleaned up, try again when it has finished"
    )
    with _held(folder / _KEEPER, fcntl.LOCK_EX, wait_seconds, refusal):
        yield


@contextmanager
def kept_whole_lock(folder: Path, wait_seconds: float) -> Iterator[None]:
    """Hold every clean-up off; those who write go on."""
    refusal = (
        f"the climate store {folder} is being cleaned up by another process, which did not end "
        f"within {wait_seconds:g} s; try again when it has finished"
    )
    with _held(folder / _KEEPER, fcntl.LOCK_SH, wait_seconds, refusal):
        yield


@contextmanager
def _held(file: Path, how: int, wait_seconds: float, refusal: str) -> Iterator[None]:
    handle = os.open(file, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        give_up = time.monotonic() + wait_seconds
        while not _taken(handle, how):
            if time.monotonic() >= give_up:
                raise ClimateError(refusal)
            time.sleep(_PAUSE_SECONDS)
        yield
    finally:
        os.close(handle)


def _taken(handle: int, how: int) -> bool:
    try:
        fcntl.flock(handle, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
