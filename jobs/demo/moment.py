"""The demo's day: its hours pass, and it does not end."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime, timedelta

from forecast.practice import Practice
from forecast.records import requests
from forecast.records.engine import Records
from forecast.records.entries import last_entered
from forecast.records.issues import issues
from forecast.records.runs import last_runs
from jobs.demo.run import morning_of

_AFTER_MORNING = timedelta(hours=1)
_A_LITTLE = timedelta(minutes=1)


@dataclass(frozen=True)
class Day:
    """The day at which a demo stands: from when it goes on, when it ends, when that was begun.

    `begun` is a time of this machine, in seconds, as `time.time` gives it.
    """

    start: datetime
    end: datetime
    begun: float

    def now(self) -> datetime:
        """Return the moment at the demo; the last of the day once it is over."""
        passed = timedelta(seconds=max(0.0, time.time() - self.begun))
        return min(self.start + passed, self.end)

    def words(self) -> tuple[str, str, str]:
        """Return it as words that `day_of_words` reads, for another process."""
        return self.start.isoformat(), self.end.isoformat(), repr(self.begun)


def day_of_words(start: str, end: str, begun: str) -> Day:
    """Read what `Day.words` gave."""
    return Day(datetime.fromisoformat(start), datetime.fromisoformat(end), float(begun))


def day_of_demo(practice: Practice, records: Records) -> Day | None:
    """Return the day of a demo that was made, gone on where it was left; None if it has no issue.

    It goes on after all that was done, so that what is done next is the newest.
    """
    made = issues(records)
    if not made:
        return None
    origin = made[-1].origin
    seen = [
        morning_of(origin) + _AFTER_MORNING,
        *(run.started_at + _A_LITTLE for run in last_runs(records).values()),
        *(one.asked_at + _A_LITTLE for one in requests.requests(records)),
        *(one + _A_LITTLE for one in [last_entered(records)] if one is not None),
    ]
    next_day = datetime.combine(origin + timedelta(days=1), datetime.min.time(), practice.time_zone)
    end = next_day.astimezone(seen[0].tzinfo) - timedelta(seconds=1)
    return Day(min(max(seen), end), end, time.time())
