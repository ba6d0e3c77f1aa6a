"""What the floor above lends to the pages: values only, so that no arrow points up.

The pages make no call to the outside. What only the jobs know (how sources stand, what is due, what
may be asked of the clock) is handed in as functions that return plain values.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from forecast.climate import ClimateStore
from forecast.practice import Practice
from forecast.records.engine import Records
from models.errors import ForepawError


class NotToldError(ForepawError):
    """What was lent cannot tell what it was asked for; the sentence says why."""


@dataclass(frozen=True)
class SourceRow:
    """How one source in use stands; `age_days` and `is_stale` are None where nothing is known."""

    id: str
    kind: str
    newest: date | None
    age_days: int | None
    allowed_days: float
    is_stale: bool | None
    last_error: str
    terms: str
    credit: str
    retrieved_at: datetime | None


@dataclass(frozen=True)
class JobRow:
    """One job of the clock: how it last ended, and when it is due next."""

    name: str
    purpose: str
    last_state: str
    last_at: datetime | None
    last_result: str
    next_at: datetime | None


@dataclass(frozen=True)
class RequestKind:
    """Something a person may ask of the clock."""

    kind: str
    words: str  # as on the button
    explanation: str


def _nothing(*_: object) -> Sequence[object]:
    return ()


def _not_known(practice: Practice) -> bool | None:
    del practice
    return None


@dataclass(frozen=True)
class Outside:
    """The functions lent; by default nothing is known and nothing may be asked."""

    sources: Callable[[Practice, Records, ClimateStore], Sequence[SourceRow]] = _nothing  # type: ignore[assignment]
    jobs: Callable[[Practice, Records], Sequence[JobRow]] = _nothing  # type: ignore[assignment]
    request_kinds: tuple[RequestKind, ...] = ()
    clock_runs: Callable[[Practice], bool | None] = _not_known

    def told_sources(
        self, practice: Practice, records: Records, climate: ClimateStore
    ) -> tuple[tuple[SourceRow, ...], str]:
        """Return how the sources in use stand; and why that is not known, "" where it is."""
        try:
            return tuple(self.sources(practice, records, climate)), ""
        except NotToldError as why:
            return (), str(why)
