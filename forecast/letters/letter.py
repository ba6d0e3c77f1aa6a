"""One letter to an owner as a value: every sentence it says, in words that are read once.

What a letter says follows from the plan that a vet signed. It says what is planned, what to watch,
when to call now, and the cautions; never an amount of a drug, a brand, or what sets a dog off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from enum import StrEnum

from forecast.dosing.plan import CAUTIONS, Proposal
from forecast.dosing.therapies import therapy
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

_NO_NAME = "your dog"
_DRAFT = "Draft: no vet has signed this plan yet. It is not to be handed over."


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
    head
        The practice's name, address and telephone, a line each.
    notice
        What stands above all else: that it is a draft, or of an invented practice; "" for nothing.
    dates
        The days that it names, each with what is planned.
    to_fill_in
        Lines left open for a pen, such as a telephone number that practice.toml lacks.
    signer
        The vet who signed the plan; "" where nobody has, or the letter needs no vet.
    """

    variant: Variant
    head: tuple[str, ...]
    notice: str
    written: str
    title: str
    greeting: str
    opening: tuple[str, ...]
    dates: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    to_fill_in: tuple[str, ...]
    signer: str
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
) -> Letter:
    """Write the letter that tells of a plan.

    `is_signed` says whether a vet has accepted the plan; the letter that asks for an examination
    and that of a cancellation need no signature.
    """
    of = settings.letters
    needs_vet = variant in (Variant.DATES, Variant.CHANGED, Variant.FIRST_ITCH)
    notices = [_DRAFT] if needs_vet and not is_signed else []
    notices += [INVENTED] if settings.practice.invented else []
    phones = [f"Telephone {of.phone}"] if of.phone else []
    phones += [f"At night and on closed days {of.emergency_phone}"] if of.emergency_phone else []
    lacking = [] if of.phone else ["Telephone"]
    lacking += [] if of.emergency_phone else ["Telephone at night and on closed days"]
    dog = names.dog or _NO_NAME
    return Letter(
        variant=variant,
        head=(settings.practice.name, *of.address, *phones),
        notice=" ".join(notices),
        written=full_day(today),
        title=_TITLES[variant].format(dog=dog),
        greeting=f"Dear {names.owner}," if names.owner else "Hello,",
        opening=tuple(line.format(dog=dog) for line in _opening(plan, variant, today)),
        dates=tuple((_when(plan, day), _AT_A_DOSE) for day in plan.doses if day >= today)
        if variant in (Variant.DATES, Variant.CHANGED)
        else (),
        sections=tuple(_said_of(dog, one) for one in _sections(plan, variant, today)),
        to_fill_in=tuple(lacking),
        signer=names.vet if needs_vet and is_signed else "",
        closing=_CLOSING.format(dog=dog),
    )


def full_day(day: date) -> str:
    """Return a day with its weekday and year, as a letter says it."""
    return f"{day:%A} {day.day} {day:%B %Y}"


def plain_class(therapy_id: str) -> str:
    """Return what a class of therapy is called to an owner."""
    return CLASSES[therapy(therapy_id).id]


# ------------------------------------------------------------------------------------- sentences
_TITLES = {
    Variant.DATES: "Dates for {dog} this season",
    Variant.CHANGED: "New dates for {dog} this season",
    Variant.FIRST_ITCH: "When {dog} starts to itch",
    Variant.EXAMINE: "Time to check the skin of {dog}",
    Variant.CANCELLED: "Dates for {dog} that no longer stand",
}
_AT_A_DOSE = "visit, and the dose if the vet agrees on the day"
_CLOSING = "Thank you for looking after {dog} with us."
_DATES_GONE = "The dates that we gave you for {dog} no longer stand. Please cross them out."
_FLEAS = "Keep up the flea control all year. Flea bites make every itch worse."
_NO_STOPPING = "Do not start or stop any medicine without asking us."


def _opening(plan: PlanTold, variant: Variant, today: date) -> tuple[str, ...]:
    what, ahead = plain_class(plan.therapy), [day for day in plan.doses if day >= today]
    one = len(ahead) == 1
    book = _to_book(plan, ahead)
    too_soon = "Do not come sooner on your own: doses must not be too close to each other."
    if variant is Variant.DATES:
        begins = plan.follows_past and len(ahead) == len(plan.doses)
        return (
            *([_SAME_TIME] if plan.follows_past else []),
            *(["This year we want to be early."] if begins else []),
            f"We plan to give {{dog}} {what}, on the {'day' if one else 'days'} below.",
            book,
            too_soon,
        )
    if variant is Variant.CHANGED:
        return (
            "The dates that we gave you for {dog} have changed. "
            f"{'This is the new one' if one else 'These are the new ones'}. Please cross out the "
            "old ones.",
            f"On {'this day' if one else 'each of these days'} we plan to give {{dog}} {what}.",
            book,
            too_soon,
        )
    if variant is Variant.FIRST_ITCH:
        return (
            *([_DATES_GONE] if plan.replaces_dates else []),
            "The itch of {dog} may come back this season. For now, it is best to wait and watch.",
            "Please call us on the first day on which {dog} itches more than usual. Do not wait "
            "for it to get bad.",
            f"We then see {{dog}} soon. If the vet agrees, we start {what}.",
        )
    if variant is Variant.EXAMINE:
        return (
            "Before the next itch season, we would like to see {dog} and check the skin.",
            "Some things must be known before we can plan. A vet looks for fleas, mites and "
            "infection, and weighs {dog}.",
            "Please call us to book a time.",
        )
    return (
        _DATES_GONE,
        "You do not need to come on those days. Please call us if you would like to know more.",
    )


def _to_book(plan: PlanTold, ahead: Sequence[date]) -> str:
    """Ask for a call to book what is not booked, and say that a day can be moved."""
    which = "the day" if len(ahead) == 1 else "a day"
    open_days = [day for day in ahead if day not in plan.times]
    if not open_days:
        return f"If {which} does not suit you, please call us soon. We find another one."
    book = "Please call us soon to book a time"
    if len(open_days) < len(ahead):
        book += " for each day that has none"
    elif len(ahead) > 1:
        book += " on each day"
    return f"{book}. If {which} does not suit you, we find another one."


def _when(plan: PlanTold, day: date) -> str:
    at = plan.times.get(day)
    return full_day(day) if at is None else f"{full_day(day)}, {at:%H:%M}"


_SAME_TIME = "In past years, {dog} has itched more at about the same time of year."


def _sections(plan: PlanTold, variant: Variant, today: date) -> list[Section]:
    found = []
    if variant is Variant.EXAMINE:
        found.append(Section("What to bring", items=_TO_BRING))
    if variant in (Variant.DATES, Variant.CHANGED, Variant.FIRST_ITCH):
        found.append(_to_watch(plan, today))
    found.append(Section("Call us at once if", items=tuple(CARE_NOW.values()), is_urgent=True))
    if variant in (Variant.DATES, Variant.CHANGED, Variant.FIRST_ITCH):
        own = OF_CLASS[plan.therapy]
        kind = therapy(plan.therapy)
        codes = [*kind.cautions, *(f"monitoring {code}" for code in kind.monitoring)]
        told = [ALWAYS[one.code] for one in CAUTIONS if one.code in ALWAYS]
        if variant is Variant.FIRST_ITCH:
            told.remove(ALWAYS["no_trial"])  # it proposes no dose ahead of the season
        else:
            told.append(FROM_THE_VET if plan.is_vets_choice else FROM_THE_PAST)
        told += [own[code] for code in codes]
        found.append(Section("Good to know", items=(*told, _FLEAS, _NO_STOPPING)))
    else:
        until = "Until then" if variant is Variant.EXAMINE else "Until you hear from us"
        found.append(Section(until, items=(_FLEAS, _NO_STOPPING)))
    return found


_TO_BRING = (
    "a list of all that {dog} is given: tablets, drops, shampoo, treats",
    "what {dog} had against fleas, and when",
    "the itch line, with your mark on it, if we gave you one",
)
_SIGNS = (
    "how much {dog} scratches, licks, rubs or bites",
    "red skin, sore paws, a red or smelly ear, or hair that falls out",
)


def _to_watch(plan: PlanTold, today: date) -> Section:
    """Say what to watch, and in which weeks most of all; weeks not known are not said."""
    ahead = [week for week in plan.uncovered_weeks or () if week + _A_WEEK > today]
    told = [
        f"Look most of all from {full_day(first)} to {full_day(last)}: itch is likelier then."
        for first, last in runs(sorted(ahead))
    ]
    told += ["Call us if the itch comes back. Do not wait for the next date."] if plan.doses else []
    return Section("What to watch", (*told, "Once a week, look at {dog} and note:"), _SIGNS)


_A_WEEK = timedelta(days=DAYS_IN_WEEK)


def _said_of(dog: str, section: Section) -> Section:
    def said(lines: Sequence[str]) -> tuple[str, ...]:
        return tuple(line.replace("{dog}", dog) for line in lines)

    return Section(section.heading, said(section.sentences), said(section.items), section.is_urgent)
