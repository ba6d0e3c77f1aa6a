"""What the dosing desk is told about one dog, as plain values, and what it says back in reasons.

Nothing here is ever guessed: a field that is None, a finding that is absent and a finding without
a date are *not known*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum

from forecast.dosing.therapies import (
    THERAPY_IDS,
    DosingError,
    Therapy,
    days_rule,
    therapies,
    therapy,
)
from forecast.records.care import PVAS, UNMAPPED_THERAPY
from forecast.visits.counting.cover import end_not_known

GIVEN, DISPENSED = "given", "dispensed"


class Cover(StrEnum):
    """Whether a dog was under a working therapy on a day."""

    YES = "yes"
    NO = "no"
    NOT_KNOWN = "not known"


@dataclass(frozen=True)
class Reason:
    """One sentence behind a verdict or a plan; `known` is False where a record is missing.

    `change` says what would change it, empty where nothing would.
    """

    code: str
    sentence: str
    source: str
    known: bool = True
    change: str = ""


@dataclass(frozen=True)
class Finding:
    """A finding in the record: present, absent or not known, and the day it was recorded."""

    present: bool | None
    recorded: date | None


NO_FINDING = Finding(None, None)


@dataclass(frozen=True)
class TherapyEvent:
    """A dose or a course; a course that still runs, or whose end is not known, has no `until`.

    What was only dispensed was not seen given. `therapy` may be "not known": an item of the
    practice's own that is mapped to no class yet.
    """

    therapy: str
    given: date
    until: date | None = None
    responded: bool | None = None
    status: str = GIVEN

    def __post_init__(self) -> None:
        if self.therapy not in (*THERAPY_IDS, UNMAPPED_THERAPY):
            therapy(self.therapy)
        if self.until is not None and self.until < self.given:
            raise DosingError(
                f"a course of {self.therapy} from {self.given} until {self.until} was recorded; "
                "the end must not be before the start; correct the record"
            )


@dataclass(frozen=True)
class ItchScore:
    """One itch score, 0 to 10, with its day; a spoken 0-10 scale is no PVAS, nor one not known."""

    value: float
    recorded: date
    scale: str = PVAS

    def __post_init__(self) -> None:
        if not 0 <= self.value <= 10:
            raise DosingError(
                f"an itch score of {self.value} on {self.recorded} was recorded; PVAS runs from "
                "0 to 10; correct the record"
            )


@dataclass(frozen=True)
class AdverseReaction:
    """An adverse reaction to a class of therapy; `lifted` is the day a vet signed it off."""

    therapy: str
    seen: date
    reported: bool | None = None
    lifted: date | None = None


@dataclass(frozen=True)
class Vaccination:
    """A vaccination given, or planned ahead; `live` None is not known."""

    given: date
    live: bool | None


@dataclass(frozen=True)
class Medicine:
    """Another medicine, by kind; without an end on record it may still be given."""

    kind: str
    since: date
    until: date | None = None

    def may_run(self, today: date) -> bool:
        """Say whether it is given on a day, or may be for all that is known."""
        return self.since <= today and (self.until is None or self.until >= today)


@dataclass(frozen=True)
class DogRecord:
    """One dog as the practice knows it. `therapies` None means that its history is not known.

    Then `partly_known` holds what is on record all the same: a dose that was given keeps its
    distance to the next, whatever else may have been given.
    `history_asked` is the day on which it was last known to be whole, `allergy_tested` that of the
    last allergy test. `flare_weeks_per_dose` is what one dose must spare by the owner's word,
    given on `price_asked`.
    """

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
    history_asked: date | None = None
    reactions: tuple[AdverseReaction, ...] = ()
    vaccinations: tuple[Vaccination, ...] = ()
    medicines: tuple[Medicine, ...] = ()
    allergy_tested: date | None = None
    flare_weeks_per_dose: float | None = None
    price_asked: date | None = None
    partly_known: tuple[TherapyEvent, ...] = ()

    def finding(self, kind: str) -> Finding:
        """Return a finding; one that the record does not hold is not known."""
        return self.findings.get(kind, NO_FINDING)

    def doses(self, therapy_id: str, today: date) -> tuple[TherapyEvent, ...]:
        """Return the doses or courses of one therapy by today, dispensed ones too, oldest first.

        Those on record, also where more may have been given.
        """
        told = self.partly_known if self.therapies is None else self.therapies
        events = [e for e in told if e.therapy == therapy_id and e.given <= today]
        return tuple(sorted(events, key=lambda event: event.given))

    def last_dose(self, therapy_id: str, today: date) -> date | None:
        """Return the day of the last dose of one therapy by today, or None.

        One that was only dispensed may have been given, so it keeps its distance too.
        """
        doses = self.doses(therapy_id, today)
        return doses[-1].given if doses else None

    def latest_score(self, today: date) -> ItchScore | None:
        """Return the latest PVAS by today; the worst one where a day has several."""
        return self._latest(today, is_pvas=True)

    def latest_other_score(self, today: date) -> ItchScore | None:
        """Return the latest score by today that is no PVAS, as a spoken one; the worst of a day."""
        return self._latest(today, is_pvas=False)

    def _latest(self, today: date, *, is_pvas: bool) -> ItchScore | None:
        past = [s for s in self.scores if s.recorded <= today and (s.scale == PVAS) is is_pvas]
        return max(past, key=lambda score: (score.recorded, score.value), default=None)

    def past_flares(self, today: date) -> tuple[date, ...]:
        """Return the days of flare visits by today."""
        return tuple(day for day in self.flare_visits if day <= today)

    def last_flare(self, today: date) -> date | None:
        """Return the day of the last flare visit by today, or None."""
        return max(self.past_flares(today), default=None)

    def responded(self, therapy_id: str, today: date) -> bool | None:
        """Return the latest known response to a therapy, or None where none is known."""
        known = [e for e in self.doses(therapy_id, today) if e.responded is not None]
        return known[-1].responded if known else None


def dog_cover(dog: DogRecord, day: date, *, known: Mapping[str, Therapy] | None = None) -> Cover:
    """Say whether a dog was under a working therapy on a day.

    `known` are the therapies under the practice's rules; those shipped, where none are given. A
    dose whose effect on this dog is not recorded, and the weeks in which an effect fades, are not
    known: neither yes nor no.
    """
    if dog.therapies is None:
        return Cover.NOT_KNOWN
    kinds = therapies() if known is None else known
    covers = {_event_cover(event, dog, day, kinds) for event in dog.therapies if event.given <= day}
    if Cover.YES in covers:
        return Cover.YES
    return Cover.NOT_KNOWN if Cover.NOT_KNOWN in covers else Cover.NO


def _event_cover(
    event: TherapyEvent, dog: DogRecord, day: date, kinds: Mapping[str, Therapy]
) -> Cover:
    if event.therapy == UNMAPPED_THERAPY:
        over = (day - event.given).days >= days_rule("plan.longest_cover")
        return Cover.NO if over else Cover.NOT_KNOWN
    kind = kinds[event.therapy]
    if kind.covers == "no":
        return Cover.NO
    last = _last_day_of_effect(event, kind, day)
    since_last = (day - last).days
    if since_last >= kind.days("ends_at") or event.responded is False:
        return Cover.NO
    if event.status == DISPENSED:
        return Cover.NOT_KNOWN
    if day < event.given + timedelta(days=kind.days("onset")):
        return Cover.NO
    if kind.covers != "yes":
        return Cover.NOT_KNOWN
    open_ended = end_not_known(event.until, is_course=not kind.planned_ahead)
    responded = event.responded or dog.responded(event.therapy, day)
    if open_ended or not responded or since_last > kind.days("full_until"):
        return Cover.NOT_KNOWN
    return Cover.YES


def _last_day_of_effect(event: TherapyEvent, kind: Therapy, day: date) -> date:
    """Return the last day a dose was given; a course without an end may run on."""
    if kind.planned_ahead:
        return event.given
    return min(kind.last_day(event.given, event.until) or day, day)
