"""What speaks against a therapy: stops of the table, adverse reactions, a test that is lacking."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from forecast.dosing.dog_record import NO_FINDING, DogRecord, Finding, Reason
from forecast.dosing.rules import Rules
from forecast.dosing.therapies import Therapy, Verdict
from forecast.dosing.work_up import ENTIRE_BITCH_ONLY, ENTIRE_ONLY, FINDINGS, HOUSE
from forecast.dosing.work_up_reasons import Judged, is_known, is_older, is_stale, missing, stale
from models.parameters import Parameter

_VACCINE = "live_vaccination"
# Findings that a medicine in use speaks for.
_MEDICINES = {"nsaid_in_use": "nsaid", "immune_suppression": "immunosuppressant"}
NOT_KNOWN = "not known"


def stops(dog: DogRecord, therapy: Therapy, today: date, rules: Rules) -> Iterator[Judged]:
    """Judge what speaks against a therapy; of what is not known, silence is no answer."""
    yield from _reactions(dog, therapy, today)
    for code, stop in therapy.stops.items():
        verdict = Verdict(str(stop.value))
        if verdict is Verdict.READY or _does_not_apply(dog, code):
            continue
        if code == _VACCINE:
            yield from _live_vaccination(dog, stop, today, rules)
        else:
            yield from _finding(code, _found(dog, code, today), stop, today, rules)
    yield from _allergy_test(dog, therapy, today)


def _found(dog: DogRecord, code: str, today: date) -> Finding:
    """Return a finding, a medicine that speaks for it first: one that runs, or may."""
    kind = _MEDICINES.get(code)
    if kind is None or not dog.medicines:
        return dog.finding(code)
    running = [one for one in dog.medicines if one.may_run(today)]
    given = [one.since for one in running if one.kind == kind]
    if given:
        return Finding(True, max(given))
    if any(one.kind == NOT_KNOWN for one in running):
        return NO_FINDING
    return dog.finding(code)


def _finding(
    code: str, finding: Finding, stop: Parameter, today: date, rules: Rules
) -> Iterator[Judged]:
    kind = FINDINGS[code]
    if not is_known(finding, today):
        yield missing(code, kind.how)
    elif finding.present:
        sentence = f"{kind.words}, recorded on {finding.recorded}"
        change = f"a newer record that it is over: {kind.how}"
        yield Verdict(str(stop.value)), Reason(code, sentence, stop.source, change=change)
    elif is_stale(code, finding, today, rules):
        yield stale(code, finding.recorded, kind.how)


def _reactions(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[Judged]:
    """Stop a class that the dog reacted to until a vet signs that it may be given again."""
    for one in dog.reactions:
        lifted = one.lifted is not None and one.lifted <= today
        if one.therapy != therapy.id or one.seen > today or lifted:
            continue
        told = "whether it was reported is not known"
        if one.reported is not None:
            told = "reported" if one.reported else "not yet reported"
        sentence = f"an adverse reaction to {therapy.words} was recorded on {one.seen} ({told})"
        change = "a vet signs that this class may be given again"
        yield Verdict.NOT_SUITABLE, Reason("adverse_reaction", sentence, HOUSE, change=change)


def _does_not_apply(dog: DogRecord, code: str) -> bool:
    """Only an entire bitch can be pregnant, only an entire dog bred; sex not known: may be."""
    if code == ENTIRE_BITCH_ONLY:
        return dog.sex == "male" or dog.neutered is True
    return code == ENTIRE_ONLY and dog.neutered is True


def _live_vaccination(
    dog: DogRecord, stop: Parameter, today: date, rules: Rules
) -> Iterator[Judged]:
    """Judge a live vaccine, which may be dated ahead: the gap counts before as well as after."""
    kind, finding = FINDINGS[_VACCINE], dog.finding(_VACCINE)
    gap = rules.days("readiness.live_vaccine_gap")
    near = [one for one in dog.vaccinations if not is_older(one.given, today, gap)]
    live = [one.given for one in near if one.live]
    if finding.present and finding.recorded and not is_older(finding.recorded, today, gap):
        live.append(finding.recorded)
    if live:
        sentence = f"live vaccine on {max(live)}: less than {gap} days before, or still ahead"
        reason = Reason(_VACCINE, sentence, stop.source, change=f"{gap} days after it")
        yield Verdict(str(stop.value)), reason
    elif any(one.live is None for one in near) or not is_known(finding, today):
        yield missing(_VACCINE, kind.how)
    elif is_stale(_VACCINE, finding, today, rules):
        yield stale(_VACCINE, finding.recorded, kind.how)


def _allergy_test(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[Judged]:
    if therapy.needs_allergy_test and (dog.allergy_tested is None or dog.allergy_tested > today):
        yield missing("allergy_test", "test once the diagnosis stands, to choose its allergens")
