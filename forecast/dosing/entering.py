"""What a person enters of one dog at a desk: checked, then one row of the records.

Fields are text, as a form holds them. An empty day is today; what is left empty otherwise is not
known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from typing import Any

from forecast.dosing.dog_record import DogRecord, ItchScore
from forecast.dosing.therapies import THERAPY_IDS, DosingError, days_rule, therapies
from forecast.dosing.trial import Trial, judge_trial
from forecast.dosing.work_up import CALLS_FOR_DIET, FINDINGS, RULE_OUTS, WORK_UP
from forecast.records.care import PVAS, SPOKEN, TherapyEvent, TrialRow
from forecast.records.tables import DOG_STATUSES, THERAPY_REASONS, THERAPY_STATUSES
from forecast.visits.importing.patient_reading import (
    PRICE,
    WEIGHT,
    YES_NO_FACTS,
    number_fact_range,
)
from forecast.visits.rules import earliest_day, rules
from models.words import number_of

SCORERS = ("owner", "vet", "nurse", "not known")
ANSWERS = ("yes", "no", "not known")
_MOST_LETTERS = 300
Fields = Mapping[str, str]


@dataclass(frozen=True)
class Entry:
    """One row on its way into the records: the table, and its values but for the dog."""

    table: str
    values: Mapping[str, Any]
    said: str


@lru_cache
def findings_asked() -> Mapping[str, str]:
    """Return what can be answered of a dog, in the order of a work-up: words by kind of fact."""
    asked = {code: kind.words for code, kind in (RULE_OUTS | WORK_UP | FINDINGS).items()}
    asked |= {code: words for code, (words, _) in CALLS_FOR_DIET.items()}
    return asked | {
        "food_allergy_ruled_out": "food ruled out by a diet trial of eight weeks or more",
        "therapy_history": "every therapy is on record, those given elsewhere too",
        "dose_elsewhere": "a dose given elsewhere since",
        "itching_now": "itches now, by its owner's word",
        "urgent_signs": "signs that need care now",
    }


def entry_of(kind: str, fields: Fields, *, today: date) -> Entry:
    """Check what was entered.

    Raises
    ------
    DosingError
        If a field cannot be what it is said to be; the sentence says what is allowed.
    """
    if kind not in _MAKERS:
        raise DosingError(f"{kind!r} was to be entered; allowed are {', '.join(_MAKERS)}")
    return _MAKERS[kind](fields, today)


def consultation(fields: Fields, *, today: date) -> list[Entry]:
    """Check what one consultation brought: a score, a weight, answers ``finding-<kind>``.

    Each is an entry of its own; what is left empty is none.

    Raises
    ------
    DosingError
        If a field cannot be what it is said to be, or all are empty.
    """
    entries = [_score(fields, today)] if fields.get("score", "") else []
    entries += [_weight(fields, today)] if fields.get("kilograms", "") else []
    for kind in findings_asked():
        answer = fields.get(f"finding-{kind}", "")
        if answer:
            asked = {"finding": kind, "answer": answer, "date": fields.get("date", "")}
            entries.append(_finding(asked, today))
    if not entries:
        raise DosingError(
            "a consultation was to be recorded and nothing was filled in; fill in what was found, "
            "and leave the rest empty"
        )
    return entries


def release_of(fields: Fields, *, signed_by: str, today: date) -> Entry:
    """Check a vet's word that a class may be given again after a reaction to it."""
    therapy = _word(fields, "therapy", THERAPY_IDS)
    reason = _text(fields, "reason")
    if reason is None:
        raise DosingError("a class was to be given again after a reaction; say why")
    values = {"therapy": therapy, "date": today, "signed_by": signed_by, "reason": reason}
    return Entry("therapy_release", values, "signed: it may be given again")


def reason_of(fields: Fields) -> str | None:
    """Return why an entry is taken back, None where nobody says."""
    return _text(fields, "reason")


def trial_begun(fields: Fields, dog: DogRecord, *, today: date) -> list[Entry]:
    """Check the beginning of a response trial: its class, first day and the score before it.

    The dose is recorded with it where none of that class and day is; so is a score, if one was
    measured.
    """
    therapy, begun = _word(fields, "therapy", THERAPY_IDS), _day(fields, "date", today)
    words = therapies()[therapy].words
    said = f"trial of {words} begun on {begun}"
    entries = [Entry("response_trial", {"therapy": therapy, "begun": begun}, said)]
    known = [one for one in dog.doses(therapy, today) if one.given == begun]
    if not known:
        entries.append(Entry("therapy_event", _given(therapy, begun, None), "dose recorded"))
    if fields.get("score", ""):
        entries.append(_score({**fields, "scale": PVAS}, today))
    return entries


def trial_ended(
    fields: Fields,
    trials: Sequence[TrialRow],
    dog: DogRecord,
    *,
    held: Sequence[TherapyEvent],
    today: date,
) -> list[Entry]:
    """Check the score at the end of a response trial, and judge it.

    Where the rules tell whether the dog responded, that is recorded with its dose, of which the
    rest stays as it is `held`; not a response while another class ran, which it may be of.
    """
    if not trials:
        raise DosingError("the end of a response trial was entered; none was begun, begin one")
    last = Trial(trials[-1].therapy, trials[-1].begun)
    score = _score({**fields, "scale": PVAS}, today)
    told = ItchScore(score.values["pvas"], score.values["date"])
    judged = judge_trial(last, (*dog.scores, told), therapies=dog.therapies, today=today)
    if judged.responded is None:
        return [replace(score, said=f"{score.said}; the trial {judged.sentence}")]
    if judged.responded and judged.beside:
        why = f"not recorded with the dose: {judged.remarks[0]}"
        return [replace(score, said=f"{score.said}; {judged.sentence}; {why}")]
    values = _given(last.therapy, last.begun, judged.responded)
    for one in held:
        if (one.therapy, one.date) == (last.therapy, last.begun):
            values |= {"until": one.until, "status": one.status, "reason": one.reason}
    dose = Entry("therapy_event", values, "")
    return [replace(score, said=f"{score.said}; {judged.sentence}"), dose]


def _given(therapy: str, day: date, responded: bool | None) -> dict[str, Any]:
    return {
        "therapy": therapy,
        "date": day,
        "until": None,
        "status": "given",
        "reason": "itch",
        "responded": responded,
    }


def longer_effect_of(fields: Fields, *, signed_by: str, today: date) -> Entry:
    """Check a vet's word that doses may be planned to hold longer than was ever measured.

    Without days an earlier word is taken back.
    """
    kind = _word(fields, "therapy", [one.id for one in therapies().values() if one.planned_ahead])
    measured, longest = days_rule("plan.longest_cover"), days_rule("plan.longest_by_word")
    values: dict[str, Any] = {"therapy": kind, "date": today, "signed_by": signed_by}
    if fields.get("back"):
        taken_back = values | {"days": None, "reason": None}
        return Entry("vets_word", taken_back, f"taken back: no dose is planned past day {measured}")
    days, reason = fields.get("days", ""), _text(fields, "reason")
    if not days.isdecimal() or not measured < int(days) <= longest:
        raise DosingError(
            f"a longer effect of {days!r} days was to be signed; without a vet's word doses are "
            f"planned up to day {measured}, with it up to any day from {measured + 1} to {longest}"
        )
    if reason is None:
        raise DosingError("a longer effect was to be signed; say why")
    values |= {"days": int(days), "reason": reason}
    return Entry("vets_word", values, f"signed: a dose may be planned to hold up to day {days}")


def _score(fields: Fields, today: date) -> Entry:
    value = _number(fields, "score", rules().number("pvas.lowest"), rules().number("pvas.highest"))
    values = {
        "date": _day(fields, "date", today),
        "pvas": value,
        "scorer": _word(fields, "scorer", SCORERS, usual="not known"),
        "scale": _word(fields, "scale", (PVAS, SPOKEN), usual=PVAS),
    }
    return Entry("pruritus_score", values, f"score {value:g} recorded")


def _weight(fields: Fields, today: date) -> Entry:
    value = _number(fields, "kilograms", *number_fact_range(WEIGHT))
    values = {"kind": WEIGHT, "number": value, "date": _day(fields, "date", today)}
    return Entry("dog_fact", values, f"weight {value:g} kg recorded")


def _price(fields: Fields, today: date) -> Entry:
    value = _number(fields, "flare_weeks", *number_fact_range(PRICE))
    values = {"kind": PRICE, "number": value, "date": _day(fields, "date", today)}
    return Entry("dog_fact", values, f"a dose must spare {number_of(value, 'flare-week')}")


def _finding(fields: Fields, today: date) -> Entry:
    kind = _word(fields, "finding", YES_NO_FACTS)
    word = _word(fields, "answer", ANSWERS)
    values = {"kind": kind, "word": word, "date": _day(fields, "date", today)}
    return Entry("dog_fact", values, f"{findings_asked().get(kind, kind)}: {word}")


def _dose(fields: Fields, today: date) -> Entry:
    begun = _day(fields, "date", today)
    until = _day(fields, "until", None)
    if until is not None and until < begun:
        raise DosingError(
            f"a course from {begun} until {until} was entered; it must not end before it starts"
        )
    answer = _word(fields, "responded", ANSWERS, usual="not known")
    values = {
        "therapy": _word(fields, "therapy", THERAPY_IDS),
        "date": begun,
        "until": until,
        "status": _word(fields, "status", THERAPY_STATUSES),
        "reason": _word(fields, "reason", THERAPY_REASONS, usual="not known"),
        "responded": {"yes": True, "no": False}.get(answer),
    }
    return Entry("therapy_event", values, f"recorded as {values['status']}")


def _reaction(fields: Fields, today: date) -> Entry:
    answer = _word(fields, "reported", ANSWERS, usual="not known")
    values = {
        "therapy": _word(fields, "therapy", THERAPY_IDS),
        "date": _day(fields, "date", today),
        "sign": _text(fields, "sign"),
        "reported": {"yes": True, "no": False}.get(answer),
    }
    return Entry(
        "adverse_reaction", values, "reaction recorded; this class stops until a vet signs"
    )


def _status(fields: Fields, today: date) -> Entry:
    status = _word(fields, "status", DOG_STATUSES)
    values = {"status": status, "date": _day(fields, "date", today), "day_given": True}
    return Entry("dog_status", values, f"recorded as {status}")


_MAKERS: dict[str, Callable[[Fields, date], Entry]] = {
    "score": _score,
    "weight": _weight,
    "price": _price,
    "dose": _dose,
    "finding": _finding,
    "reaction": _reaction,
    "status": _status,
}
KINDS = tuple(_MAKERS)


def _word(fields: Fields, name: str, allowed: Sequence[str], *, usual: str | None = None) -> str:
    word = fields.get(name, "") or usual or ""
    if word not in allowed:
        raise DosingError(f"{name} {word!r} was entered; allowed are {', '.join(allowed)}")
    return word


def _text(fields: Fields, name: str) -> str | None:
    text = fields.get(name, "")
    if len(text) > _MOST_LETTERS:
        raise DosingError(f"{name} has {len(text)} letters; at most {_MOST_LETTERS} are kept")
    return text or None


def _number(fields: Fields, name: str, lowest: float, highest: float) -> float:
    text = fields.get(name, "")
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not lowest <= value <= highest:
        raise DosingError(f"{name} {text!r} was entered; it runs from {lowest:g} to {highest:g}")
    return value


def _day(fields: Fields, name: str, usual: date | None) -> Any:
    """Return a day; `usual` where the field is empty, which is also the last one allowed."""
    text = fields.get(name, "")
    if not text:
        return usual
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise DosingError(f"{name} {text!r} was entered; write it as YYYY-MM-DD") from None
    if usual is not None and day > usual:
        raise DosingError(f"{name} {day} was entered, which lies ahead; up to {usual} is allowed")
    if day < earliest_day():
        raise DosingError(f"{name} {day} was entered; days from {earliest_day()} on are allowed")
    return day
