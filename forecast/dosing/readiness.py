"""Is this dog ready for this therapy today? A checklist that never takes silence for a yes.

Each check returns reasons with a verdict; the most pressing verdict wins. Good news goes stale
(after the times in the table), bad news does not: an old finding that speaks against a therapy
counts until a newer one replaces it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from math import isfinite

from forecast.dosing.dog_record import DogRecord, Reason
from forecast.dosing.past_therapies import history
from forecast.dosing.rules import Loosened, Rules, shipped_rules
from forecast.dosing.stops import stops
from forecast.dosing.therapies import Therapy, Verdict
from forecast.dosing.work_up import (
    CALLS_FOR_DIET,
    DIAGNOSIS,
    DIET,
    HOUSE,
    PROFESSION,
    RULE_OUTS,
    FindingKind,
)
from forecast.dosing.work_up_reasons import (
    Judged,
    is_current,
    is_known,
    is_older,
    is_stale,
    missing,
    stale,
)
from models.parameters import Parameter

_ORDER = {verdict: place for place, verdict in enumerate(Verdict)}
_NEVER = "nothing: it stays so"


@dataclass(frozen=True)
class Readiness:
    """Verdict for one dog and one therapy on one day, with every reason for it.

    `not_before` is the first day on which another dose keeps the minimum interval, None where no
    dose stands in the way; `loosened` are rules that a vet of the practice loosened.
    """

    dog: str
    therapy: str
    today: date
    verdict: Verdict
    reasons: tuple[Reason, ...]
    not_before: date | None = None
    loosened: tuple[Loosened, ...] = ()


def readiness(
    dog: DogRecord, therapy: Therapy, today: date, *, rules: Rules | None = None
) -> Readiness:
    """Judge one dog for one therapy today; anything not known keeps it from being ready.

    `therapy` is looked up among the `rules`, by default those shipped.
    """
    rules = rules or shipped_rules()
    return _put_together(
        dog, rules.therapies[therapy.id], today, rules=rules, general=_general(dog, today, rules)
    )


def readiness_for_each(dog: DogRecord, today: date, *, rules: Rules) -> dict[str, Readiness]:
    """Judge one dog for every therapy today, by therapy."""
    general = _general(dog, today, rules)
    return {
        therapy.id: _put_together(dog, therapy, today, rules=rules, general=general)
        for therapy in rules.therapies.values()
    }


def _put_together(
    dog: DogRecord, therapy: Therapy, today: date, *, rules: Rules, general: Sequence[Judged]
) -> Readiness:
    judged = [*general, *_for_therapy(dog, therapy, today, rules)]
    judged.sort(key=_pressing)
    reasons: tuple[Reason, ...]
    if judged:
        verdict, reasons = judged[0][0], tuple(reason for _, reason in judged)
    else:
        verdict, reasons = Verdict.READY, (_passed(therapy.words, today),)
    loosened = tuple(one for one in rules.loosened if one.bears_on(therapy.id))
    return Readiness(
        dog.id, therapy.id, today, verdict, reasons, _not_before(dog, therapy, today), loosened
    )


def _pressing(judged: Judged) -> int:
    return _ORDER[judged[0]]


@lru_cache(maxsize=64)
def _passed(words: str, today: date) -> Reason:
    return Reason(
        "checks_passed", f"every check of {words} is on record and current on {today}", HOUSE
    )


def _not_before(dog: DogRecord, therapy: Therapy, today: date) -> date | None:
    if not therapy.planned_ahead:
        return None
    last = dog.last_dose(therapy.id, today)
    free = None if last is None else last + timedelta(days=therapy.minimum_interval)
    return free if free is not None and free > today else None


def _general(dog: DogRecord, today: date, rules: Rules) -> list[Judged]:
    """Judge what is the same for every therapy, in the order of a work-up."""
    return [
        *_itch_now(dog, today, rules),
        *_age_known(dog, today),
        *_weight_known(dog, today, rules),
        *_findings(RULE_OUTS, dog, today, rules),
        *_food(dog, today, rules),
        *_findings(DIAGNOSIS, dog, today, rules),
    ]


def _for_therapy(dog: DogRecord, therapy: Therapy, today: date, rules: Rules) -> Iterator[Judged]:
    yield from _species(dog, therapy)
    yield from _too_young(dog, therapy, today)
    yield from _too_light(dog, therapy, today)
    yield from stops(dog, therapy, today, rules)
    yield from history(dog, therapy, today, rules)


# ------------------------------------------------------------------------------ who the dog is
def _species(dog: DogRecord, therapy: Therapy) -> Iterator[Judged]:
    if dog.species is None:
        yield missing("species", "have the patient register say it")
    elif dog.species != therapy.species:
        sentence = f"{therapy.words} is for dogs only; this animal is recorded as {dog.species!r}"
        source = therapy.parameters["species"].source
        yield Verdict.NOT_SUITABLE, Reason("species", sentence, source, change=_NEVER)


def _age_known(dog: DogRecord, today: date) -> Iterator[Judged]:
    if dog.birth_date is None or dog.birth_date > today:
        yield missing("age", "have the patient register say it, by a vet's estimate if need be")


def _too_young(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[Judged]:
    limit = therapy.parameters.get("minimum_age")
    if limit is None or dog.birth_date is None or dog.birth_date > today:
        return
    old_enough = add_months(dog.birth_date, int(limit.number))
    if today < old_enough:
        sentence = f"younger than {limit.number:g} months until {old_enough}"
        change = f"from {old_enough} on it is old enough"
        yield _limit_verdict(limit), Reason("too_young", sentence, limit.source, change=change)


def _weight_known(dog: DogRecord, today: date, rules: Rules) -> Iterator[Judged]:
    if not _has_weight(dog, today):
        yield missing("weight", "weigh the dog")
    elif is_older(dog.weighed, today, rules.days("readiness.weight_current_for")):
        yield stale("weight", dog.weighed, "weigh the dog")


def _too_light(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[Judged]:
    limit = therapy.parameters.get("minimum_weight")
    if limit is None or dog.weight_kg is None or not _has_weight(dog, today):
        return
    if dog.weight_kg < limit.number:
        sentence = f"weighs {dog.weight_kg:g} kg on {dog.weighed}; at least {limit.number:g} kg"
        change = "a later weight at or above the limit"
        yield _limit_verdict(limit), Reason("too_light", sentence, limit.source, change=change)


def _has_weight(dog: DogRecord, today: date) -> bool:
    known = dog.weight_kg is not None and isfinite(dog.weight_kg)
    return known and dog.weighed is not None and dog.weighed <= today


def _limit_verdict(limit: Parameter) -> Verdict:
    """Let a published limit exclude; put one that is only remembered or assumed to the vet."""
    return Verdict.NOT_SUITABLE if limit.status == "published" else Verdict.VET_MUST_DECIDE


# -------------------------------------------------------------------------------- how it is now
def _itch_now(dog: DogRecord, today: date, rules: Rules) -> Iterator[Judged]:
    urgent = dog.finding("urgent_signs")
    if urgent.present and urgent.recorded and urgent.recorded <= today:
        sentence = f"signs that need care were recorded on {urgent.recorded}"
        change = "a vet sees it and records that they are gone"
        yield Verdict.SEE_NOW, Reason("urgent_signs", sentence, HOUSE, change=change)
    score, flare = dog.latest_score(today), dog.last_flare(today)
    bound = rules.parameters["readiness.needs_care_score"]
    for said in (_owner_says_so(dog, today, rules), _spoken_and_high(dog, today, rules)):
        if said is not None:
            yield Verdict.SEE_NOW, said
    if score is None:
        yield missing("itch_score", "ask the owner for a score on the line (PVAS)")
        return
    if _is_old_score(score.recorded, today, rules):
        yield stale("itch_score", score.recorded, "ask the owner for a score")
    elif score.value >= bound.number:
        sentence = (
            f"itch score {score.value:g} on {score.recorded}; {bound.number:g} or more is seen, "
            "not scheduled"
        )
        change = "treat what itches now, then score it again"
        yield Verdict.SEE_NOW, Reason("itch_now", sentence, bound.source, change=change)
    closed = rules.days("readiness.flare_closed_after")
    if flare and flare > score.recorded and not is_older(flare, today, closed):
        sentence = f"flare visit on {flare} and no itch score since; recheck the dog first"
        reason = Reason("flare_open", sentence, HOUSE, known=False, change="a score since then")
        yield Verdict.WORK_UP_FIRST, reason


def _is_old_score(day: date, today: date, rules: Rules) -> bool:
    return is_older(day, today, rules.days("readiness.score_current_for"))


def _owner_says_so(dog: DogRecord, today: date, rules: Rules) -> Reason | None:
    """Return the reason to see a dog that itches by its owner's word; a later PVAS answers it."""
    said, line = dog.finding("itching_now"), dog.latest_score(today)
    if not (said.present and is_known(said, today)):
        return None
    assert said.recorded is not None
    if _is_old_score(said.recorded, today, rules):
        return None
    if line is not None and line.recorded > said.recorded:
        return None
    sentence = f"itches by its owner's word of {said.recorded}; it is seen, not scheduled"
    change = "treat what itches now, then score it again"
    return Reason("itch_now", sentence, HOUSE, change=change)


def _spoken_and_high(dog: DogRecord, today: date, rules: Rules) -> Reason | None:
    """Return the reason to see a dog whose spoken score is high even at the limit of agreement.

    A lower one says nothing of PVAS, so it stands in for none.
    """
    said = dog.latest_other_score(today)
    line = dog.latest_score(today)
    if said is None or _is_old_score(said.recorded, today, rules):
        return None
    if line is not None and line.recorded >= said.recorded:
        return None
    bound = rules.parameters["readiness.needs_care_score"].number
    limit = rules.parameters["readiness.spoken_scale_limit"]
    if said.value < bound + limit.number:
        return None
    sentence = (
        f"score of {said.value:g} by word of mouth on {said.recorded}, which is no PVAS, but high "
        f"on either scale: {bound:g} or more is seen, not scheduled"
    )
    return Reason("itch_now", sentence, limit.source, change="a score on the line (PVAS)")


# -------------------------------------------------------------------------- what was ruled out
def _findings(
    kinds: Mapping[str, FindingKind], dog: DogRecord, today: date, rules: Rules
) -> Iterator[Judged]:
    for code, kind in kinds.items():
        finding = dog.finding(code)
        if not is_known(finding, today):
            yield missing(code, kind.how)
        elif finding.present != kind.wanted:
            found = "recorded as present" if finding.present else "recorded as absent"
            sentence = f"{kind.words} {found} on {finding.recorded}; {kind.how}"
            reason = Reason(code, sentence, PROFESSION, change=kind.how)
            yield Verdict.WORK_UP_FIRST, reason
        elif is_stale(code, finding, today, rules):
            yield stale(code, finding.recorded, kind.how)


def _food(dog: DogRecord, today: date, rules: Rules) -> Iterator[Judged]:
    """Ask for a diet trial where it itches all year or has gut signs; others may do without."""
    for code in CALLS_FOR_DIET:
        if not is_current(code, dog.finding(code), today, rules):
            yield missing(code, "ask the owner")
    there = [said for code, (_, said) in CALLS_FOR_DIET.items() if dog.finding(code).present]
    food = dog.finding("food_allergy_ruled_out")
    ruled_out = food.present and is_current("food_allergy_ruled_out", food, today, rules)
    if there and not ruled_out:
        sentence = f"{' and '.join(there)}, and no diet trial of eight weeks or more is on record"
        change = "a diet trial of eight weeks or more that rules food out"
        reason = Reason("food_trial", sentence, DIET, known=False, change=change)
        yield Verdict.WORK_UP_FIRST, reason


def add_months(day: date, months: int) -> date:
    """Return the same day some months on; where that month is too short, the 1st of the next."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    try:
        return date(year, month + 1, day.day)
    except ValueError:
        return add_months(day.replace(day=1), months + 1)
