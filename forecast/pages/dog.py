"""One dog: what is due and why, readiness by class, its history and itch; what was entered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from forecast.accounts.roles import Right
from forecast.dosing.dog_record import DogRecord, Reason, dog_cover
from forecast.dosing.due import DueDog, due_dog
from forecast.dosing.effect_times import VetsWord, word_of
from forecast.dosing.entered_words import dose_words, scale_words, therapy_words
from forecast.dosing.entering import findings_asked
from forecast.dosing.plan import CAUTIONS
from forecast.dosing.readiness import Readiness, readiness_for_each
from forecast.dosing.register import is_atopic, read_register
from forecast.dosing.rules import Rules, rules_of
from forecast.dosing.therapies import Therapy, Verdict
from forecast.dosing.work_up import HOUSE, bare_code
from forecast.letters.desk import desk_of
from forecast.pages.dog_effect import HIGH, WIDE, EffectShown, effect_shown
from forecast.pages.dog_entries import EntryShown, TakenBackShown, entries_shown
from forecast.pages.dog_list import ACTIVE, planned_ahead
from forecast.pages.dogs import NAME_ERASED, PATH, theirs
from forecast.pages.page import Asked, NotFoundError, Page, View
from forecast.pages.plan_answer import plan_answer
from forecast.records import care
from forecast.records.dogs import identity_of
from forecast.records.engine import RecordsError
from forecast.records.vets import vets, vets_on
from forecast.records.vets_words import vets_words

_SCORES_SHOWN = 24
_CURVE_DAYS = 730


@dataclass(frozen=True)
class ClassShown:
    """One class of therapy: the verdict, and every reason for it with what would change it."""

    id: str
    words: str
    verdict: str
    reasons: tuple[Reason, ...]
    not_before: date | None
    loosened: tuple[str, ...]


@dataclass(frozen=True)
class ScoreShown:
    """One itch score; `how` says the scale in words."""

    date: date
    value: float
    scorer: str
    scale: str
    how: str


@dataclass(frozen=True)
class ItchCurve:
    """The scores on the line as a curve over days; `points` in a box 600 wide and 100 high.

    There 0 lies at the bottom, 10 at the top. `text` says it in words. From the score `seen_from`
    on, which lies at `seen_at`, a dog is seen and not scheduled.
    """

    first: date
    last: date
    points: tuple[tuple[float, float], ...]
    text: str
    seen_from: float
    seen_at: float


@dataclass(frozen=True)
class EventShown:
    """One line of the history: a flare visit, a dose or course, a reaction."""

    date: date
    what: str
    detail: str


@dataclass(frozen=True)
class WordShown:
    """A vet's word on a longer effect; the reason is "" for who reads no clinical notes."""

    sentence: str
    reason: str


@dataclass(frozen=True)
class DogPage:
    """What the page of one dog says.

    `plan` says how its plan stands, `cover` whether a working therapy covers it today: yes, no or
    not known. `vet` looks after it, "" for nobody; `vets` may. `word` is a vet's that a dose may be
    planned to hold longer than measured. `entries` were entered at a desk, `taken_back` counts no
    more. `reactions` are the classes that a vet may sign to be given again; `findings` what can be
    answered, in the order of a work-up; `lacking` those of them that hold up the therapy planned
    ahead.
    """

    dog: DueDog
    species: str
    birth_date: date | None
    sex: str
    weight: str
    cover: str
    vet: str
    vets: tuple[tuple[str, str], ...]
    word: WordShown | None
    plan: str
    classes: tuple[ClassShown, ...]
    scores: tuple[ScoreShown, ...]
    curve: ItchCurve | None
    effect: EffectShown | None
    history: tuple[EventShown, ...]
    entries: tuple[EntryShown, ...]
    taken_back: tuple[TakenBackShown, ...]
    reactions: tuple[tuple[str, str], ...]
    therapies: tuple[tuple[str, str], ...]
    findings: tuple[tuple[str, str], ...]
    lacking: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    may_record: bool
    may_sign: bool
    may_share_out: bool
    planned: str
    today: date
    house_rule: str = HOUSE
    wrong: str = ""
    typed: Mapping[str, str] | None = None


def _dog(asked: Asked) -> View:
    page = dog_page(asked)
    scores = [vars(one) for one in page.scores]
    chances = [vars(one) for one in page.effect.chances] if page.effect else []
    history = [vars(one) for one in page.history]
    entered, back = [vars(one) for one in page.entries], [vars(one) for one in page.taken_back]
    return View(
        "dog.html",
        page,
        {
            **{"scores": scores, "effect": chances, "history": history},
            **{"entries": entered, "taken_back": back},
        },
    )


def dog_page(asked: Asked) -> DogPage:
    """Put together what the page says of the dog that was asked for."""
    record, shown, rules = dog_asked(asked)
    assert asked.account is not None
    today, account = asked.practice.local_date, asked.account
    words = {one.id: one.words for one in rules.therapies.values()}
    each = readiness_for_each(record, today, rules=rules)
    stopped = {one.therapy for one in record.reactions if one.lifted is None}
    kept, known = vets_words(asked.records, on=today, dog_id=record.id), vets(asked.records)
    with asked.records.reading() as connection:
        own_vet = vets_on(connection, today, dog_id=record.id).get(record.id)
    kind = planned_ahead(rules)
    desk = desk_of(asked.practice, asked.records, record.id, therapy=kind.id)
    entries, taken_back = entries_shown(asked, record.id, words)
    sexes = [record.sex or "sex not known"]
    if record.neutered is not None:
        sexes.append("neutered" if record.neutered else "entire")
    return DogPage(
        dog=shown,
        species=record.species or "species not known",
        birth_date=record.birth_date,
        sex=" ".join(sexes),
        weight=_weight(record),
        cover=str(dog_cover(record, today, known=rules.therapies)),
        vet=next((one.name or NAME_ERASED for one in known if one.id == own_vet), ""),
        vets=tuple((one.id, one.name) for one in known if one.name),
        word=_word_shown(
            word_of(kept.get((record.id, kind.id))),
            with_reason=account.may(Right.SEE_NOTES),
        ),
        plan=plan_answer(shown.name or "this dog", desk, today),
        classes=tuple(
            ClassShown(
                one.therapy,
                words[one.therapy],
                str(one.verdict),
                one.reasons,
                one.not_before,
                tuple(loose.sentence for loose in one.loosened),
            )
            for one in sorted(each.values(), key=lambda one: _place(one, kind))
        ),
        scores=_scores(asked, record.id),
        curve=_curve(record, rules, today),
        effect=effect_shown(asked.practice, asked.records, record, therapy=kind),
        history=_history(asked, record, words),
        entries=entries,
        taken_back=taken_back,
        reactions=tuple((of, words[of]) for of in words if of in stopped),
        therapies=tuple(words.items()),
        findings=tuple(findings_asked().items()),
        lacking=_lacking(each[kind.id]),
        cautions=tuple(caution.sentence for caution in CAUTIONS),
        may_record=account.may(Right.RECORD_CARE),
        may_sign=account.may(Right.SIGN_PLANS),
        may_share_out=account.may(Right.SHARE_OUT_DOGS),
        planned=kind.id,
        today=today,
    )


def _lacking(ready: Readiness) -> tuple[tuple[str, str], ...]:
    """Return what can be answered of what holds a therapy up, in the order of its reasons."""
    asked = findings_asked()
    codes = dict.fromkeys(bare_code(reason.code) for reason in ready.reasons)
    return tuple((code, asked[code]) for code in codes if code in asked)


def _place(one: Readiness, planned: Therapy) -> tuple[int, bool]:
    """Order classes: the best verdict first, and of one verdict what is planned ahead."""
    return -list(Verdict).index(one.verdict), one.therapy != planned.id


def dog_asked(asked: Asked) -> tuple[DogRecord, DueDog, Rules]:
    """Read the one dog that was asked for; another branch's is as if it were not there."""
    assert asked.account is not None
    dog_id, today = asked.path["dog"], asked.practice.local_date
    refused = NotFoundError("there is no such dog, or it is of another branch")
    rules = rules_of(asked.practice)
    try:
        register = read_register(
            asked.records,
            today=today,
            unknown_home=asked.practice.settings.visits.unknown_home,
            dog_id=dog_id,
            rules=rules,
        )
    except RecordsError:
        raise refused from None
    record = register.dogs[dog_id]
    shown = due_dog(
        record,
        identity_of(asked.records, dog_id),
        planned_ahead(rules),
        rules=rules,
        today=today,
        status=register.gone.get(dog_id, ACTIVE),
        is_atopic=is_atopic(record),
    )
    if not theirs([shown], asked.account):
        raise refused
    return record, shown, rules


def _word_shown(word: VetsWord | None, *, with_reason: bool) -> WordShown | None:
    if word is None:
        return None
    return WordShown(word.sentence, word.reason if with_reason else "")


def _weight(record: DogRecord) -> str:
    if record.weight_kg is None or record.weighed is None:
        return "weight not known"
    return f"{record.weight_kg:g} kg on {record.weighed}"


def _scores(asked: Asked, dog_id: str) -> tuple[ScoreShown, ...]:
    found = care.scores_of(asked.records, dog_id)[-_SCORES_SHOWN:]
    return tuple(
        ScoreShown(one.date, one.pvas, one.scorer, one.scale, scale_words(one.scale))
        for one in reversed(found)
    )


def _curve(record: DogRecord, rules: Rules, today: date) -> ItchCurve | None:
    """Draw the scores on the line of the last two years; None below two of them."""
    since = today - timedelta(days=_CURVE_DAYS)
    told = [s for s in record.scores if s.scale == care.PVAS and since <= s.recorded <= today]
    told.sort(key=lambda score: score.recorded)
    if len(told) < 2:
        return None
    first, last = told[0].recorded, told[-1].recorded
    span = max((last - first).days, 1)
    points = [
        (WIDE * (score.recorded - first).days / span, HIGH * (1 - score.value / 10))
        for score in told
    ]
    highest = max(told, key=lambda score: score.value)
    text = (
        f"{len(told)} itch scores (PVAS) from {first} to {last}: the last {told[-1].value:g}, the "
        f"highest {highest.value:g} on {highest.recorded}."
    )
    told_points = tuple((round(x, 1), round(y, 1)) for x, y in points)
    bound = rules.parameters["readiness.needs_care_score"].number
    return ItchCurve(first, last, told_points, text, bound, round(HIGH * (1 - bound / 10), 1))


def _history(asked: Asked, record: DogRecord, words: Mapping[str, str]) -> tuple[EventShown, ...]:
    """Put together flares, therapies and reactions, the newest first; no clinical note is read."""
    events = [EventShown(day, "flare visit", "") for day in record.flare_visits]
    events += [
        EventShown(
            one.date,
            therapy_words(one.therapy, words),
            dose_words(one.status, one.until, one.reason, one.responded),
        )
        for one in care.therapies_of(asked.records, record.id)
    ]
    for one in record.reactions:
        told = "signed to be given again" if one.lifted else "stops this class until a vet signs"
        events.append(EventShown(one.seen, f"adverse reaction to {words[one.therapy]}", told))
    return tuple(sorted(events, key=lambda event: event.date, reverse=True))


PAGES = (Page(f"{PATH}/{{dog}}", "dog", Right.SEE_DOGS, _dog, has_data=True),)
