"""Is this dog ready for this therapy today? A checklist that never takes silence for a yes.

Each check returns reasons with a verdict; the most pressing verdict wins. Good news goes stale
(after the times in the table), bad news does not: an old finding that speaks against a therapy
counts until a newer one replaces it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from math import isfinite

from forecast.dosing.dog_record import DogRecord, Finding, Reason
from forecast.dosing.therapies import Therapy, Verdict, days_rule, rule, table, therapies
from models.parameters import Parameter

PROFESSION = "standard work-up: Hensel et al. 2015, BMC Vet Res 11:196"
HOUSE = "rule of this service"


@dataclass(frozen=True)
class Readiness:
    """Verdict for one dog and one therapy on one day, with every reason for it."""

    dog: str
    therapy: str
    today: date
    verdict: Verdict
    reasons: tuple[Reason, ...]


@dataclass(frozen=True)
class FindingKind:
    """A finding, the answer that lets a plan go on, and how a practice comes to know it."""

    words: str
    wanted: bool
    how: str


# What is asked of every dog before any therapy, in the order of a work-up.
WORK_UP = {
    "examination": FindingKind("examination by a vet", True, "examine the dog"),
    "atopic_dermatitis": FindingKind(
        "diagnosis of atopic dermatitis", True, "complete the work-up and record the diagnosis"
    ),
    "flea_control": FindingKind("flea control in force", True, "comb, and start flea control"),
    "ectoparasites": FindingKind("sarcoptic or other mites", False, "scrape, or treat on trial"),
    "skin_infection": FindingKind(
        "untreated skin or ear infection", False, "take cytology and treat what it shows"
    ),
}
# What may speak against a therapy; the table says which of them, and how strongly.
FINDINGS = {
    "demodicosis": FindingKind("demodicosis", False, "take deep scrapes or hair plucks"),
    "neoplasia": FindingKind("neoplasia, now or before", False, "examine and palpate the dog"),
    "serious_infection": FindingKind("serious infection", False, "examine the dog"),
    "immune_suppression": FindingKind("suppressed immune system", False, "take the history"),
    "pregnant_or_lactating": FindingKind("pregnancy or lactation", False, "examine the bitch"),
    "breeding": FindingKind("use for breeding", False, "ask the owner"),
    "hypersensitivity": FindingKind(
        "earlier reaction to this therapy", False, "ask the owner and read the record"
    ),
    "live_vaccination": FindingKind("live vaccine", False, "read the vaccination record"),
    "diabetes_mellitus": FindingKind("diabetes mellitus", False, "test blood and urine"),
    "hyperadrenocorticism": FindingKind("hyperadrenocorticism", False, "take history and test"),
    "renal_disease": FindingKind("kidney disease", False, "test blood and urine"),
    "heart_failure": FindingKind("heart disease", False, "examine the dog"),
    "gut_ulcer": FindingKind("ulcer of stomach or gut", False, "take the history"),
    "corneal_ulcer": FindingKind("ulcer of the cornea", False, "examine the eyes"),
    "nsaid_in_use": FindingKind("anti-inflammatory painkiller in use", False, "ask the owner"),
}
# Everything else that may hold a plan up, in words.
OTHER_CHECKS = {
    "species": "species",
    "urgent_signs": "signs that need care now",
    "itch_now": "itch now",
    "itch_score": "itch score",
    "flare_open": "itch score since the last flare visit",
    "age": "date of birth",
    "too_young": "age",
    "weight": "weight",
    "too_light": "weight",
    "perennial_signs": "whether it itches all year",
    "food_trial": "diet trial",
    "therapy_history": "history of therapies",
    "response": "response to this therapy",
    "no_response": "response to this therapy",
    "other_therapy": "another therapy under way",
    "not_planned_ahead": "a therapy that is not planned ahead",
    "risk": "risk in the weeks ahead",
    "no_open_day": "open days of the branch",
}
NOT_ON_RECORD, TOO_OLD, SPEAKS_AGAINST = "not on record", "too old", "speaks against"
ENTIRE_BITCH_ONLY = "pregnant_or_lactating"
ENTIRE_ONLY = "breeding"

_NOT_KNOWN, _STALE = "_not_known", "_stale"  # ends of the codes of reasons
_ORDER = list(Verdict)
_Judged = tuple[Verdict, Reason]


def readiness(dog: DogRecord, therapy: Therapy, today: date) -> Readiness:
    """Judge one dog for one therapy today; anything not known keeps it from being ready."""
    judged = list(_judge(dog, therapy, today))
    verdict = min((v for v, _ in judged), key=_ORDER.index, default=Verdict.READY)
    reasons = [r for _, r in sorted(judged, key=lambda pair: _ORDER.index(pair[0]))]
    if verdict is Verdict.READY:
        done = f"every check of {therapy.words} is on record and current on {today}"
        reasons = [Reason("checks_passed", done, HOUSE)]
    return Readiness(dog.id, therapy.id, today, verdict, tuple(reasons))


def check_of(reason: Reason) -> tuple[str, str]:
    """Return which check a reason against a plan comes from, in words, and how it went."""
    code = reason.code.removesuffix(_NOT_KNOWN).removesuffix(_STALE)
    if reason.code.endswith(_STALE):
        return _words(code), TOO_OLD
    return _words(code), SPEAKS_AGAINST if reason.known else NOT_ON_RECORD


def _words(code: str) -> str:
    kinds = WORK_UP | FINDINGS
    return kinds[code].words if code in kinds else OTHER_CHECKS[code]


def _judge(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[_Judged]:
    yield from _species(dog, therapy)
    yield from _itch_now(dog, today)
    yield from _age(dog, therapy, today)
    yield from _weight(dog, therapy, today)
    yield from _work_up(dog, today)
    yield from _food(dog, today)
    yield from _stops(dog, therapy, today)
    yield from _history(dog, therapy, today)


# ------------------------------------------------------------------------------ who the dog is
def _species(dog: DogRecord, therapy: Therapy) -> Iterator[_Judged]:
    if dog.species is None:
        yield _missing("species", "record the species")
    elif dog.species != therapy.species:
        sentence = f"{therapy.words} is for dogs only; this animal is recorded as {dog.species!r}"
        yield (
            Verdict.NOT_SUITABLE,
            Reason("species", sentence, therapy.parameters["species"].source),
        )


def _age(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[_Judged]:
    if dog.birth_date is None or dog.birth_date > today:
        yield _missing("age", "record it, or have a vet estimate the age")
        return
    limit = therapy.parameters["minimum_age"]
    old_enough = add_months(dog.birth_date, int(limit.number))
    if today < old_enough:
        sentence = f"younger than {limit.number:g} months until {old_enough}"
        yield _limit_verdict(limit), Reason("too_young", sentence, limit.source)


def _weight(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[_Judged]:
    limit = therapy.parameters["minimum_weight"]
    known = dog.weight_kg is not None and isfinite(dog.weight_kg)
    if dog.weight_kg is None or dog.weighed is None or not known or dog.weighed > today:
        yield _missing("weight", "weigh the dog")
        return
    if dog.weight_kg < limit.number:
        sentence = f"weighs {dog.weight_kg:g} kg on {dog.weighed}; at least {limit.number:g} kg"
        yield _limit_verdict(limit), Reason("too_light", sentence, limit.source)
    if _older(dog.weighed, today, days_rule("readiness.weight_current_for")):
        yield _stale("weight", dog.weighed, "weigh the dog")


def _limit_verdict(limit: Parameter) -> Verdict:
    """Let a published limit exclude; put one that is only remembered or assumed to the vet."""
    return Verdict.NOT_SUITABLE if limit.status == "published" else Verdict.VET_MUST_DECIDE


# -------------------------------------------------------------------------------- how it is now
def _itch_now(dog: DogRecord, today: date) -> Iterator[_Judged]:
    urgent = dog.finding("urgent_signs")
    if urgent.present and urgent.recorded and urgent.recorded <= today:
        sentence = f"signs that need care were recorded on {urgent.recorded}"
        yield Verdict.SEE_NOW, Reason("urgent_signs", sentence, HOUSE)
    score, flare = dog.latest_score(today), dog.last_flare(today)
    if score is None:
        yield _missing("itch_score", "ask the owner for a score")
        return
    bound = table()["readiness.needs_care_score"]
    if _older(score.recorded, today, days_rule("readiness.score_current_for")):
        yield _stale("itch_score", score.recorded, "ask the owner for a score")
    elif score.value >= bound.number:
        sentence = f"itch score {score.value:g} on {score.recorded}; {bound.number:g} or more"
        yield (
            Verdict.SEE_NOW,
            Reason("itch_now", f"{sentence} is seen, not scheduled", bound.source),
        )
    if flare and flare > score.recorded and not _older(flare, today, _flare_closed()):
        sentence = f"flare visit on {flare} and no itch score since; recheck the dog first"
        yield Verdict.WORK_UP_FIRST, Reason("flare_open", sentence, HOUSE, known=False)


def _flare_closed() -> int:
    return days_rule("readiness.flare_closed_after")


# -------------------------------------------------------------------------- what was ruled out
def _work_up(dog: DogRecord, today: date) -> Iterator[_Judged]:
    for code, kind in WORK_UP.items():
        finding = dog.finding(code)
        if not _is_known(finding, today):
            yield _missing(code, kind.how)
        elif finding.present != kind.wanted:
            found = "recorded as present" if finding.present else "recorded as absent"
            sentence = f"{kind.words} {found} on {finding.recorded}; {kind.how}"
            yield Verdict.WORK_UP_FIRST, Reason(code, sentence, PROFESSION)
        elif _is_stale(code, finding, today):
            yield _stale(code, finding.recorded, kind.how)


def _food(dog: DogRecord, today: date) -> Iterator[_Judged]:
    """Ask for a diet trial where itch lasts all year; a seasonal dog may do without."""
    perennial = dog.finding("perennial_signs")
    if not _is_current("perennial_signs", perennial, today):
        yield _missing("perennial_signs", "ask the owner")
        return
    food = dog.finding("food_allergy_ruled_out")
    ruled_out = food.present and _is_current("food_allergy_ruled_out", food, today)
    if perennial.present and not ruled_out:
        sentence = "it itches all year and no diet trial of eight weeks or more is on record"
        source = "Olivry, Mueller & Prelaud 2015, BMC Vet Res 11:225"
        yield Verdict.WORK_UP_FIRST, Reason("food_trial", sentence, source, known=False)


# ---------------------------------------------------------------- what speaks against the therapy
def _stops(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[_Judged]:
    for code, stop in therapy.stops.items():
        if _does_not_apply(dog, code):
            continue
        kind, finding = FINDINGS[code], dog.finding(code)
        if code == "live_vaccination":
            yield from _live_vaccination(finding, stop, today)
        elif not _is_known(finding, today):
            yield _missing(code, kind.how)
        elif finding.present:
            sentence = f"{kind.words}, recorded on {finding.recorded}"
            yield Verdict(str(stop.value)), Reason(code, sentence, stop.source)
        elif _is_stale(code, finding, today):
            yield _stale(code, finding.recorded, kind.how)


def _does_not_apply(dog: DogRecord, code: str) -> bool:
    """Only an entire bitch can be pregnant, only an entire dog bred; sex not known: may be."""
    if code == ENTIRE_BITCH_ONLY:
        return dog.sex == "male" or dog.neutered is True
    return code == ENTIRE_ONLY and dog.neutered is True


def _live_vaccination(finding: Finding, stop: Parameter, today: date) -> Iterator[_Judged]:
    """Judge a live vaccine, which may be dated ahead: the gap counts before as well as after."""
    kind = FINDINGS["live_vaccination"]
    if finding.present is None or finding.recorded is None:
        yield _missing("live_vaccination", kind.how)
    elif finding.present and not _older(finding.recorded, today, _vaccine_gap()):
        sentence = f"live vaccine on {finding.recorded}: less than two weeks before, or still ahead"
        yield Verdict(str(stop.value)), Reason("live_vaccination", sentence, stop.source)
    elif finding.recorded > today:
        yield _missing("live_vaccination", kind.how)
    elif _is_stale("live_vaccination", finding, today):
        yield _stale("live_vaccination", finding.recorded, kind.how)


def _vaccine_gap() -> int:
    return days_rule("readiness.live_vaccine_gap")


# ------------------------------------------------------------------------ what was given before
def _history(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[_Judged]:
    if dog.therapies is None:
        yield _missing("therapy_history", "ask where it was seen before")
        return
    yield from _other_therapies(dog, therapy, today)
    responded = dog.responded(therapy.id, today)
    if responded is None:
        sentence = f"its response to {therapy.words} is not known"
        yield Verdict.VET_MUST_DECIDE, Reason("response", sentence, HOUSE, known=False)
    elif not responded:
        sentence = f"it did not respond to {therapy.words} when last judged"
        yield Verdict.VET_MUST_DECIDE, Reason("no_response", sentence, HOUSE)


def _other_therapies(dog: DogRecord, therapy: Therapy, today: date) -> Iterator[_Judged]:
    for event in dog.therapies or ():
        kind = therapies()[event.therapy]
        over = event.given > today or (event.until is not None and event.until < today)
        if event.therapy == therapy.id or kind.planned_ahead or over:
            continue
        sentence = f"{kind.words} since {event.given} has no end on record"
        if event.until is not None:
            sentence = f"{kind.words} runs until {event.until}"
        yield Verdict.VET_MUST_DECIDE, Reason("other_therapy", sentence, HOUSE)


# ----------------------------------------------------------------------------- known and current
def add_months(day: date, months: int) -> date:
    """Return the same day some months on; where that month is too short, the 1st of the next."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    try:
        return date(year, month + 1, day.day)
    except ValueError:
        return add_months(day.replace(day=1), months + 1)


def _is_known(finding: Finding, today: date) -> bool:
    return (
        finding.present is not None and finding.recorded is not None and finding.recorded <= today
    )


def _is_current(code: str, finding: Finding, today: date) -> bool:
    return _is_known(finding, today) and not _is_stale(code, finding, today)


def _is_stale(code: str, finding: Finding, today: date) -> bool:
    limit = int(rule(f"current_for.{code}"))
    return finding.recorded is None or _older(finding.recorded, today, limit)


def _older(day: date, today: date, days: int) -> bool:
    return (today - day).days > days


def _missing(code: str, how: str) -> _Judged:
    sentence = f"{_words(code)}: not known; {how}"
    return Verdict.WORK_UP_FIRST, Reason(code + _NOT_KNOWN, sentence, HOUSE, known=False)


def _stale(code: str, recorded: date | None, how: str) -> _Judged:
    sentence = f"{_words(code)}: last recorded on {recorded}, too long ago to count; {how}"
    return Verdict.WORK_UP_FIRST, Reason(code + _STALE, sentence, HOUSE, known=False)
