"""One letter to an owner as a value: every sentence it says, in words that are read once.

What a letter says follows from the plan that a vet signed. It says what is planned, what to watch,
when to call now, and the cautions; never an amount of a drug, a brand, or what sets a dog off.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, time, timedelta
from enum import StrEnum

from forecast.dosing.plan import CAUTIONS, Proposal
from forecast.dosing.therapies import therapy
from forecast.languages import Language
from forecast.letters import messages
from forecast.letters.gate import LetterError
from forecast.letters.plain_words import (
    ALWAYS,
    CARE_NOW,
    CLASSES,
    FROM_THE_PAST,
    FROM_THE_VET,
    OF_CLASS,
)
from forecast.settings import Settings
from forecast.wording import INVENTED, runs
from models.weeks import DAYS_IN_WEEK


class Variant(StrEnum):
    """Which letter it is."""

    DATES = "dates of a plan"
    CHANGED = "changed dates of a plan"
    FIRST_ITCH = "call at the first itch"
    EXAMINE = "come for an examination"
    CANCELLED = "dates no longer stand"


@dataclass(frozen=True, repr=False)
class Section:
    """A part of a letter; `is_urgent` where it is set apart, as what to call at once for."""

    heading: str
    sentences: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    is_urgent: bool = False


@dataclass(frozen=True, repr=False)
class Letter:
    """Every word of a letter, in the order in which it is read; it has no `repr`, as it names.

    Attributes
    ----------
    language
        The code of the language that all of it is in (ISO 639-1).
    head
        The practice's name, address and telephone, a line each.
    notice
        What stands above all else: that it is a draft, or of an invented practice; "" for nothing.
    dates
        The days that it names, each with what is planned.
    to_fill_in
        Lines left open for a pen, such as a telephone number that practice.toml lacks.
    signed_for
        Who stands behind it: the vet who signed the plan, else the practice.
    signed_on
        What the line for the day of the signature is called.
    """

    variant: Variant
    language: str
    head: tuple[str, ...]
    notice: str
    written: str
    title: str
    greeting: str
    opening: tuple[str, ...]
    dates: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    to_fill_in: tuple[str, ...]
    signed_for: str
    signed_on: str
    closing: str

    @property
    def prose(self) -> tuple[str, ...]:
        """Every sentence and item of it, as it is read aloud."""
        told = [self.greeting, *self.opening]
        for section in self.sections:
            told += [section.heading, *section.sentences, *section.items]
        return (*told, self.closing)


@dataclass(frozen=True)
class PlanTold:
    """What a letter tells of a plan; `uncovered_weeks` are Mondays, None where not known.

    `replaces_dates` says whether the owner was given other dates before; `is_vets_choice` that the
    dates are a vet's and not those proposed; `follows_past` that dates were proposed at all, so
    that the dog flared in the same part of the year in enough earlier seasons. `times` are those
    booked, by day.
    """

    therapy: str
    proposal: Proposal
    doses: tuple[date, ...] = ()
    uncovered_weeks: tuple[date, ...] | None = None
    replaces_dates: bool = False
    is_vets_choice: bool = False
    follows_past: bool = True
    times: Mapping[date, time] = field(default_factory=dict)


@dataclass(frozen=True, repr=False)
class Names:
    """Whom a letter is about and for; "" where it is not known."""

    dog: str
    owner: str = ""
    vet: str = ""


def variant_of(plan: PlanTold) -> Variant:
    """Return the letter that tells of a plan that is in force or proposed.

    Raises
    ------
    LetterError
        If no letter tells of it: an itching dog is called, and what a vet must decide is no news.
    """
    if plan.doses:
        return Variant.CHANGED if plan.replaces_dates else Variant.DATES
    if plan.proposal is Proposal.EXAMINE:
        return Variant.EXAMINE
    if plan.proposal in (Proposal.HOLD_A_SLOT, Proposal.DATED_DOSES):
        return Variant.FIRST_ITCH
    raise LetterError(
        f"a letter was asked for a plan that says {str(plan.proposal)!r}; letters tell of dates, "
        "of a slot that is held and of an examination: call the owner instead"
    )


def make_letter(
    settings: Settings,
    names: Names,
    plan: PlanTold,
    *,
    variant: Variant,
    today: date,
    is_signed: bool,
    speaks: Language,
) -> Letter:
    """Write the letter that tells of a plan.

    `is_signed` says whether a vet has accepted the plan; the letter that asks for an examination
    and that of a cancellation need no signature. `speaks` is a language of `catalogues`.
    """
    of = settings.letters
    needs_vet = variant in (*_DATED, Variant.FIRST_ITCH)
    notices = [messages.DRAFT] if needs_vet and not is_signed else []
    notices += [INVENTED] if settings.practice.invented else []
    dog = names.dog or speaks.say(messages.NO_NAME)
    words = _Words(speaks, dog, speaks.say(CLASSES[therapy(plan.therapy).id]))
    ahead = tuple(day for day in plan.doses if day >= today)
    phones = (
        (messages.TELEPHONE, messages.TELEPHONE_OPEN, of.phone),
        (messages.TELEPHONE_AT_NIGHT, messages.TELEPHONE_AT_NIGHT_OPEN, of.emergency_phone),
    )
    told = [speaks.say(sentence, phone=number) for sentence, _, number in phones if number]
    greeting = messages.GREETING if names.owner else messages.GREETING_NO_NAME
    signer = names.vet if needs_vet and is_signed else ""
    signed_for = messages.VET if signer else messages.FOR_THE_PRACTICE
    return Letter(
        variant=variant,
        language=speaks.code,
        head=(settings.practice.name, *of.address, *told),
        notice=" ".join(map(speaks.say, notices)),
        written=speaks.full_day(today),
        title=words.said(_TITLES[variant]),
        greeting=speaks.say(greeting, owner=names.owner),
        opening=tuple(map(words.said, _opening(plan, variant, ahead))),
        dates=tuple((_when(plan, day, speaks), speaks.say(messages.AT_A_DOSE)) for day in ahead)
        if variant in _DATED
        else (),
        sections=tuple(_sections(plan, variant, words, today)),
        to_fill_in=tuple(speaks.say(line) for _, line, number in phones if not number),
        signed_for=speaks.say(signed_for, vet=signer),
        signed_on=speaks.say(messages.DATE),
        closing=words.said(messages.CLOSING),
    )


@dataclass(frozen=True, repr=False)
class _Words:
    """A language, and what fills the places of its sentences."""

    speaks: Language
    dog: str
    what: str

    def said(self, sentence: str) -> str:
        return self.speaks.say(sentence, dog=self.dog, what=self.what)

    def section(
        self,
        heading: str,
        items: Iterable[str],
        *,
        sentences: Iterable[str] = (),
        is_urgent: bool = False,
    ) -> Section:
        told = tuple(map(self.said, sentences))
        return Section(self.said(heading), told, tuple(map(self.said, items)), is_urgent)


# ---------------------------------------------------------------------------- which is said when
_DATED = (Variant.DATES, Variant.CHANGED)
_TITLES = {
    Variant.DATES: messages.TITLE_DATES,
    Variant.CHANGED: messages.TITLE_CHANGED,
    Variant.FIRST_ITCH: messages.TITLE_FIRST_ITCH,
    Variant.EXAMINE: messages.TITLE_EXAMINE,
    Variant.CANCELLED: messages.TITLE_CANCELLED,
}


def _opening(plan: PlanTold, variant: Variant, ahead: tuple[date, ...]) -> list[str]:
    n = "one" if len(ahead) == 1 else "more"
    if variant is Variant.DATES:
        begins = plan.follows_past and len(ahead) == len(plan.doses)
        return [
            *([messages.SAME_TIME] if plan.follows_past else []),
            *([messages.EARLY] if begins else []),
            messages.PLANNED[n],
            _to_book(plan, ahead),
            messages.TOO_SOON,
        ]
    if variant is Variant.CHANGED:
        changed = [messages.CHANGED[n], messages.PLANNED_ANEW[n]]
        return [*changed, _to_book(plan, ahead), messages.TOO_SOON]
    if variant is Variant.FIRST_ITCH:
        gone = [messages.DATES_GONE] if plan.replaces_dates else []
        watch = [messages.WAIT_AND_WATCH, messages.CALL_ON_THE_FIRST_DAY, messages.SEEN_SOON]
        return gone + watch
    if variant is Variant.EXAMINE:
        return [messages.EXAMINE, messages.WHAT_A_VET_LOOKS_FOR, messages.CALL_TO_BOOK]
    return [messages.DATES_GONE, messages.NO_NEED_TO_COME]


def _to_book(plan: PlanTold, ahead: tuple[date, ...]) -> str:
    """Ask for a call to book what is not booked, and say that a day can be moved."""
    n, n_open = "one" if len(ahead) == 1 else "more", len(set(ahead) - set(plan.times))
    if not n_open:
        return messages.ALL_BOOKED[n]
    return messages.BOOK[n] if n_open == len(ahead) else messages.BOOK_THE_REST


def _when(plan: PlanTold, day: date, speaks: Language) -> str:
    at, said = plan.times.get(day), speaks.full_day(day)
    if at is None:
        return said
    return speaks.say(messages.DAY_AND_TIME, day=said, time=speaks.clock(at))


def _sections(plan: PlanTold, variant: Variant, words: _Words, today: date) -> Iterator[Section]:
    tells_of_doses = variant in (*_DATED, Variant.FIRST_ITCH)
    if variant is Variant.EXAMINE:
        yield words.section(messages.TO_BRING_HEADING, messages.TO_BRING)
    if tells_of_doses:
        yield _to_watch(plan, words, today)
    yield words.section(messages.CALL_NOW_HEADING, CARE_NOW.values(), is_urgent=True)
    kept_up = (messages.FLEAS, messages.NO_STOPPING)
    if tells_of_doses:
        cautions = (*_of_any_class(plan, variant), *_of_class(plan.therapy), *kept_up)
        yield words.section(messages.GOOD_TO_KNOW_HEADING, cautions)
    elif variant is Variant.EXAMINE:
        yield words.section(messages.UNTIL_THEN_HEADING, kept_up)
    else:
        yield words.section(messages.UNTIL_WE_WRITE_HEADING, kept_up)


def _of_any_class(plan: PlanTold, variant: Variant) -> list[str]:
    """Return what is told of every plan, and where its dates come from."""
    told = [ALWAYS[one.code] for one in CAUTIONS if one.code in ALWAYS]
    if variant is Variant.FIRST_ITCH:
        told.remove(ALWAYS["no_trial"])  # it proposes no dose ahead of the season
        return told
    return [*told, FROM_THE_VET if plan.is_vets_choice else FROM_THE_PAST]


def _of_class(therapy_id: str) -> list[str]:
    kind, own = therapy(therapy_id), OF_CLASS[therapy_id]
    return [own[code] for code in (*kind.cautions, *(f"monitoring {c}" for c in kind.monitoring))]


def _to_watch(plan: PlanTold, words: _Words, today: date) -> Section:
    """Say what to watch, and in which weeks most of all; weeks not known are not said."""
    ahead = sorted(week for week in plan.uncovered_weeks or () if week + _A_WEEK > today)
    speaks = words.speaks
    spans = "; ".join(
        speaks.say(
            messages.SPAN,
            first=speaks.day(first, beside=today),
            last=speaks.day(last, beside=today),
        )
        for first, last in runs(ahead)
    )
    likelier = (speaks.say(messages.LIKELIER, spans=spans),) if spans else ()
    sentences = [*([messages.COMES_BACK] if plan.doses else []), messages.NOTE_WEEKLY]
    found = words.section(messages.WATCH_HEADING, messages.SIGNS, sentences=sentences)
    return replace(found, sentences=(*likelier, *found.sentences))


_A_WEEK = timedelta(days=DAYS_IN_WEEK)
