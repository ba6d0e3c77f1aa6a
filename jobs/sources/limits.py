"""How often a service may be asked: its own count of calls, kept across restarts.

A service that counts calls does so in fixed windows that begin with the clock minute, the clock
hour and the UTC day. Counts are kept in one small file a family of services (a free caller is
known by his address, so the family's services share them), under a lock that other processes see.
"""

from __future__ import annotations

import fcntl
import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from jobs.sources.source import Limits, RefusedError, Source, TemporaryError
from models.parameters import load_table

_LENGTH = {"minute": timedelta(minutes=1), "hour": timedelta(hours=1), "day": timedelta(days=1)}
_TOLERANCE = 1e-9  # sums of weights such as 0.1 + 0.2
_NOT_KNOWN = 1e12  # calls used where the count was lost: past any limit, of no matter without one
_FULL = float("inf")  # the service itself said so


@dataclass(frozen=True)
class Clock:
    """The moment (aware), a count of seconds that never goes back, and waiting."""

    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    monotonic: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


@dataclass
class _Used:
    """What was used in the window that begins at `start`."""

    start: str
    calls: float


class RateLimits:
    """Makes callers wait for their turn; one object for all threads of a process.

    Parameters
    ----------
    folder
        Where counts are kept; None keeps them in memory alone.
    clock
        Time, replaced in tests.
    patience
        Longest wait for a window to end [s]; past it `TemporaryError` tells when to go on.
    """

    def __init__(
        self, folder: Path | None, *, clock: Clock | None = None, patience: float | None = None
    ) -> None:
        table = load_table("jobs.sources", "manners.toml")
        self._patience = table.number("limits.patience") if patience is None else patience
        self._clock = clock or Clock()
        self._folder = folder
        self._memory: dict[str, dict[str, _Used]] = {}
        self._threads = threading.Lock()
        self._slots: dict[str, threading.BoundedSemaphore] = {}
        self._last_start: dict[str, float] = {}
        if folder is not None:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)

    @contextmanager
    def turn(self, source: Source, weight: float) -> Iterator[None]:
        """Wait until a request of that weight may start; it counts from then on.

        Raises
        ------
        TemporaryError
            If the wait would be longer than the patience; `retry_after` tells how long.
        RefusedError
            If the request alone weighs more than a window allows.
        """
        with self._slot(source):
            self._wait_for_calls(source, weight)
            self._wait_for_pause(source)
            yield

    def use_up(self, source: Source, window: str) -> float:
        """Note that the service called a window full; return the seconds until it ends."""
        now = self._clock.now().astimezone(UTC)
        limit = _limit(source.limits, window)
        with self._counts(source) as counts:
            used = counts[window]
            counts[window] = _Used(used.start, max(used.calls, limit or _FULL))
        return _seconds_left(now, window)

    # -------------------------------------------------------------------------- waiting
    def _wait_for_calls(self, source: Source, weight: float) -> None:
        limits = {w: n for w in _LENGTH if (n := _limit(source.limits, w)) is not None}
        waited = 0.0
        while True:
            full = self._take(source, weight, limits)
            if full is None:
                return
            wait = _seconds_left(self._clock.now().astimezone(UTC), full)
            if waited + wait > self._patience:
                raise TemporaryError(
                    f"{source.name}: its {limits.get(full, 0):g} calls a {full} are used up (this "
                    f"request counts as {weight:.3g}); what came so far is kept, it goes on from "
                    f"there after {self._clock.now() + timedelta(seconds=wait):%Y-%m-%d %H:%M %Z}",
                    retry_after=wait,
                )
            self._clock.sleep(wait)
            waited += wait

    def _take(self, source: Source, weight: float, limits: dict[str, float]) -> str | None:
        """Count the request and return None, or name the longest window that has no room."""
        for window, limit in limits.items():
            if weight > limit + _TOLERANCE:
                raise RefusedError(
                    f"{source.name}: one request counts as {weight:.4g} calls, more than the "
                    f"{limit:g} of a {window}; ask for fewer places, days or variables at a time"
                )
        with self._counts(source) as counts:
            full = [
                window
                for window in _LENGTH
                if counts[window].calls == _FULL
                or (
                    window in limits and counts[window].calls + weight > limits[window] + _TOLERANCE
                )
            ]
            if full:
                return full[-1]
            for window in _LENGTH:
                counts[window] = _Used(counts[window].start, counts[window].calls + weight)
            return None

    def _wait_for_pause(self, source: Source) -> None:
        with self._threads:
            now = self._clock.monotonic()
            earliest = self._last_start.get(source.family, -float("inf"))
            start = max(now, earliest + source.limits.pause_seconds)
            self._last_start[source.family] = start
        if start > now:
            self._clock.sleep(start - now)

    def _slot(self, source: Source) -> threading.BoundedSemaphore:
        with self._threads:
            new = threading.BoundedSemaphore(source.limits.parallel)
            return self._slots.setdefault(source.family, new)

    # -------------------------------------------------------------------------- counts
    @contextmanager
    def _counts(self, source: Source) -> Iterator[dict[str, _Used]]:
        """Give the counts of the windows that run now; keep what was done to them."""
        file = None if self._folder is None else self._folder / f"{source.family}.json"
        with self._threads, nullcontext() if file is None else _locked(file):
            now = self._clock.now().astimezone(UTC)
            held = self._memory.get(source.family, {}) if file is None else _read(file, now)
            counts = {window: _current(held.get(window), now, window) for window in _LENGTH}
            yield counts
            if file is None:
                self._memory[source.family] = counts
            else:
                _write(file, counts)


def _limit(limits: Limits, window: str) -> float | None:
    return {
        "minute": limits.calls_per_minute,
        "hour": limits.calls_per_hour,
        "day": limits.calls_per_day,
    }[window]


def _start(now: datetime, window: str) -> datetime:
    start = now.replace(second=0, microsecond=0)
    if window != "minute":
        start = start.replace(minute=0)
    return start.replace(hour=0) if window == "day" else start


def _seconds_left(now: datetime, window: str) -> float:
    return (_start(now, window) + _LENGTH[window] - now).total_seconds()


def _current(used: _Used | None, now: datetime, window: str) -> _Used:
    start = _start(now, window).isoformat()
    return used if used is not None and used.start == start else _Used(start, 0.0)


@contextmanager
def _locked(file: Path) -> Iterator[None]:
    handle = os.open(file.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _read(file: Path, now: datetime) -> dict[str, _Used]:
    try:
        return {w: _Used(str(s), float(n)) for w, (s, n) in json.loads(file.read_text()).items()}
    except FileNotFoundError:
        return {}
    except (ValueError, TypeError, AttributeError):
        return {w: _Used(_start(now, w).isoformat(), _NOT_KNOWN) for w in _LENGTH}


def _write(file: Path, counts: dict[str, _Used]) -> None:
    part = file.with_suffix(".part")
    part.write_text(json.dumps({w: [used.start, used.calls] for w, used in counts.items()}))
    part.replace(file)
