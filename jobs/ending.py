"""How a process of forepaw ends once its work is done: without taking the interpreter apart.

The climate store has threads of compiled code. One that reaches for a Python interpreter that is
being taken apart is ended by it in a way that such code does not survive: the process then dies
with SIGABRT after all its work was done and kept, and whoever started it believes that it failed.
Seen once in some thousand pulls, on a busy machine; known of Python up to 3.13 with Rust from 1.84
on (issue 87135 of CPython, 135929 of Rust).
"""

from __future__ import annotations

import atexit
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_FAILED = 1  # what Python answers after an error that nobody caught
_NOT_WRITTEN = 120  # and where the last words could not be written


@contextmanager
def ended_at_once() -> Iterator[None]:
    """Run what is a process's whole work; once it is over, and all that waits for it, end for good.

    Registered before anything else, this is the last of what is done at exit: threads that are
    waited for have ended, and files that others close at exit are closed. Not for work within a
    process that goes on afterwards.
    """
    status = _FAILED

    def end() -> None:
        os._exit(_NOT_WRITTEN if not _flushed() else status)

    atexit.register(end)
    try:
        yield
        status = 0
    except SystemExit as leaving:
        status = _status(leaving.code)
        raise


def _status(code: Any) -> int:
    """Give the status that Python would give for this code of SystemExit."""
    if code is None:
        return 0
    return code & 0xFF if isinstance(code, int) else _FAILED


def _flushed() -> bool:
    try:
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                stream.flush()
    except (OSError, ValueError):
        return False
    return True
