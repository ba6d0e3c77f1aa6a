"""A clock that only moves when told."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from jobs.sources.limits import Clock


@dataclass
class FakeClock:
    """Time that passes by sleeping alone; `tick` seconds more pass with every look at it."""

    moment: datetime = datetime(2026, 6, 10, 8, 0, 30, tzinfo=UTC)
    seconds: float = 0.0
    tick: float = 0.0
    slept: list[float] = field(default_factory=list)

    def pass_by(self, seconds: float) -> None:
        """Let time pass."""
        self.moment += timedelta(seconds=seconds)
        self.seconds += seconds

    def sleep(self, seconds: float) -> None:
        """Sleep without waiting."""
        self.slept.append(seconds)
        self.pass_by(seconds)

    def look(self) -> float:
        """Return the seconds passed."""
        self.pass_by(self.tick)
        return self.seconds

    @property
    def clock(self) -> Clock:
        """The clock as the code under test takes it."""
        return Clock(now=lambda: self.moment, monotonic=self.look, sleep=self.sleep)
