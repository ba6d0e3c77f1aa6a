"""What is due for each dog: who is seen now, scored, worked up, dosed again; in that order."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from forecast.dosing.dog_record import DogRecord
from forecast.dosing.readiness import Readiness, readiness
from forecast.dosing.rules import Rules
from forecast.dosing.therapies import Therapy, Verdict
from forecast.records.dogs import DogIdentity


class Due(StrEnum):
    """What is due, the most pressing first."""

    SEE_NOW = "see now"
    DOSE = "another dose"
    VET = "a vet's decision"
    SCORE = "itch score"
    WORK_UP = "work-up"
    NOTHING = "nothing now"


@dataclass(frozen=True)
class DueDog:
    """One dog in the list: what is due, why, and what was last known of it.

    `verdict` is that of the therapy whose doses are planned ahead; `reference` and `name` are ""
    for one that was erased.
    """

    id: str
    reference: str
    name: str
    branch: str
    status: str
    is_atopic: bool
    due: Due
    why: str
    verdict: str
    score: float | None
    scored: date | None
    last_dose: date | None
    not_before: date | None


_BY_VERDICT = {
    Verdict.SEE_NOW: Due.SEE_NOW,
    Verdict.VET_MUST_DECIDE: Due.VET,
    Verdict.NOT_SUITABLE: Due.NOTHING,
    Verdict.WORK_UP_FIRST: Due.WORK_UP,
    Verdict.READY: Due.NOTHING,
}
_SCORE = ("itch_score_not_known", "itch_score_stale", "flare_open")


def due_dog(
    dog: DogRecord,
    identity: DogIdentity | None,
    therapy: Therapy,
    *,
    rules: Rules,
    today: date,
    status: str,
    is_atopic: bool,
) -> DueDog:
    """Say what is due for one dog, from its readiness for a therapy planned ahead."""
    ready = readiness(dog, therapy, today, rules=rules)
    score, last = dog.latest_score(today), dog.last_dose(therapy.id, today)
    due, why = _due(ready, therapy, last, today)
    return DueDog(
        id=dog.id,
        reference="" if identity is None else identity.reference,
        name="" if identity is None else identity.name or "",
        branch=dog.branch or "",
        status=status,
        is_atopic=is_atopic,
        due=due,
        why=why,
        verdict=str(ready.verdict),
        score=None if score is None else score.value,
        scored=None if score is None else score.recorded,
        last_dose=last,
        not_before=ready.not_before,
    )


def _due(ready: Readiness, therapy: Therapy, last: date | None, today: date) -> tuple[Due, str]:
    first = ready.reasons[0]
    if ready.verdict is Verdict.SEE_NOW:
        return Due.SEE_NOW, first.sentence
    suits = ready.verdict is not Verdict.NOT_SUITABLE
    if suits and last is not None and _is_due_again(therapy, last, today):
        return Due.DOSE, f"last dose on {last}; {first.sentence}"
    only_score = [one for one in ready.reasons if one.code in _SCORE]
    if ready.verdict is Verdict.WORK_UP_FIRST and len(only_score) == len(ready.reasons):
        return Due.SCORE, first.sentence
    return _BY_VERDICT[ready.verdict], first.sentence


def _is_due_again(therapy: Therapy, last: date, today: date) -> bool:
    """Say whether another dose may be given and the effect of the last fades, or has just ended."""
    fades = last + timedelta(days=therapy.minimum_interval)
    ended = last + timedelta(days=therapy.days("ends_at") + therapy.minimum_interval)
    return fades <= today <= ended
