"""The practice as a running web process holds it: open, its settings read anew when they change."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from forecast.climate import ClimateStore, open_climate
from forecast.practice import Practice, open_practice
from forecast.records import open_records
from forecast.records.engine import Records


def utc_now() -> datetime:
    """Return the present moment."""
    return datetime.now(UTC)


class OpenedPractice:
    """One practice folder, opened once for all requests of a process.

    `now` is called for each request, so that a test or the demo can stand at another moment.
    """

    def __init__(self, folder: Path, *, now: Callable[[], datetime] = utc_now) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._practice = open_practice(folder, now=now())
        self._read_at = self._stamp()
        self.records: Records = open_records(self._practice)
        self.climate: ClimateStore = open_climate(self._practice)

    def practice(self) -> Practice:
        """Return the practice as it stands now; an edited practice.toml is read anew."""
        stamp = self._stamp()
        with self._lock:
            if stamp != self._read_at:
                self._practice = open_practice(self._practice.folder, now=self._now())
                self._read_at = stamp
            held = self._practice
        return replace(held, now=self._now())

    def close(self) -> None:
        """Close the records."""
        self.records.close()

    def _stamp(self) -> tuple[int, int]:
        stat = self._practice.settings_file.stat()
        return stat.st_mtime_ns, stat.st_size
