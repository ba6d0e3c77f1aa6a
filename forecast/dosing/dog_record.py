"""What the dosing desk is told about one dog, as plain values, and what it says back in reasons.

Nothing here is ever guessed: a field that is None, a finding that is absent and a finding without
a date are *not known*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum

from forecast.dosing.therapies import DosingError, Therapy, therapy
from forecast.visits.counting.cover import end_not_known


class Cover(StrEnum):
    """Whether a dog was under a working therapy on a day."""

    YES = "yes"
    NO = "no"
    NOT_KNOWN = "not known"


@dataclass(frozen=True)
class Reason:
    """One sentence behind a verdict or a plan; `known` is False where a record is missing."""

    code: str
    sentence: str
    source: str
    known: bool = True


@dataclass(frozen=True)
class Finding:
    """A finding in the record: present, absent or not known, and the day it was recorded."""

    present: bool | None
    recorded: date | None


@dataclass(frozen=True)
class TherapyEvent:
    """A dose or a course; a course that still runs, or whose end is not known, has no `until`."""

    therapy: str
    given: date
    until: date | None = None
    responded: bool | None = None

    def __post_init__(self) -> None:
        therapy(self.therapy)
        if self.until is not None and self.until < self.given:
            raise DosingError(
                f"a course of {self.therapy} from {self.given} until {self.until} was recorded; "
                "the end must not be before the start; correct the record"
            )


@dataclass(frozen=True)
class ItchScore:
    """One pruritus visual analogue score (PVAS, 0 to 10) with its day."""

    value: float
    recorded: date

    def __post_init__(self) -> None:
        if not 0 <= self.value <= 10:
            raise DosingError(
                f"an itch score of {self.value} on {self.recorded} was recorded; PVAS runs from "
                "0 to 10; correct the record"
            )


@dataclass(frozen=True)
class DogRecord:
    """One dog as the practice knows it. `therapies` None means that its history is not known."""

    id: str
    species: str | None
    birth_date: date | None
    weight_kg: float | None
    weighed: date | None
    sex: str | None
    neutered: bool | None
    region: str | None
    branch: str | None
    findings: Mapping[str, Finding] = field(default_factory=dict)
    therapies: tuple[TherapyEvent, ...] | None = None
    flare_visits: tuple[date, ...] = ()
    scores: tuple[ItchScore, ...] = ()

    def finding(self, kind: str) -> Finding:
        """Return a finding; one that the record does not hold is not known."""
        return self.findings.get(kind, Finding(None, None))

    def doses(self, therapy_id: str, today: date) -> tuple[TherapyEvent, ...]:
        """Return the doses or courses of one therapy given by today, oldest first."""
        events = [e for e in self.therapies or () if e.therapy == therapy_id and e.given <= today]
        return tuple(sorted(events, key=lambda event: event.given))

    def last_dose(self, therapy_id: str, today: date) -> date | None:
        """Return the day of the last dose of one therapy given by today, or None."""
        doses = self.doses(therapy_id, today)
        return doses[-1].given if doses else None

    def latest_score(self, today: date) -> ItchScore | None:
        """Return the latest itch score by today; the worst one where a day has several."""
        past = [score for score in self.scores if score.recorded <= today]
        return max(past, key=lambda score: (score.recorded, score.value), default=None)

    def last_flare(self, today: date) -> date | None:
        """Return the day of the last flare visit by today, or None."""
        return max((day for day in self.flare_visits if day <= today), default=None)

    def responded(self, therapy_id: str, today: date) -> bool | None:
        """Return the latest known response to a therapy, or None where none is known."""
        known = [e for e in self.doses(therapy_id, today) if e.responded is not None]
        return known[-1].responded if known else None


def dog_cover(dog: DogRecord, day: date) -> Cover:
    """Say whether a dog was under a working therapy on a day.

    A dose whose effect on this dog is not recorded, and the weeks in which an effect fades, are
    not known: neither yes nor no.
    """
    if dog.therapies is None:
        return Cover.NOT_KNOWN
    covers = {_event_cover(event, dog, day) for event in dog.therapies if event.given <= day}
    if Cover.YES in covers:
        return Cover.YES
    return Cover.NOT_KNOWN if Cover.NOT_KNOWN in covers else Cover.NO


def _event_cover(event: TherapyEvent, dog: DogRecord, day: date) -> Cover:
    kind = therapy(event.therapy)
    last = _last_day_of_effect(event, kind, day)
    since_last = (day - last).days
    if since_last >= kind.days("ends_at") or event.responded is False:
        return Cover.NO
    if day < event.given + timedelta(days=kind.days("onset")):
        return Cover.NO
    open_ended = end_not_known(event.until, is_course=not kind.planned_ahead)
    responded = event.responded or dog.responded(event.therapy, day)
    if open_ended or not responded or since_last > kind.days("full_until"):
        return Cover.NOT_KNOWN
    return Cover.YES


def _last_day_of_effect(event: TherapyEvent, kind: Therapy, day: date) -> date:
    """Return the last day a dose was given; an open-ended course may still run."""
    if kind.planned_ahead:
        return event.given
    return day if event.until is None else min(event.until, day)
