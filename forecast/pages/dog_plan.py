"""One dog's plan: what is proposed or signed, its letter and calendar, its response trial."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, time
from typing import Any

from forecast.accounts.roles import Right
from forecast.dosing.dog_record import DogRecord
from forecast.dosing.due import DueDog
from forecast.dosing.kept import trade_of_kept
from forecast.dosing.plan import CAUTIONS, more_flare_weeks
from forecast.dosing.trial import NOT_EXCLUDED, Trial, judge_trial
from forecast.languages import language_name
from forecast.letters.catalogues import CATALOGUES, language_for
from forecast.letters.desk import Desk, desk_of
from forecast.letters.handing_over import NEEDS_A_VET
from forecast.letters.letter import variant_of
from forecast.pages.dog import dog_asked
from forecast.pages.dog_entries import changed_since
from forecast.pages.dog_list import planned_ahead
from forecast.pages.dogs import PATH
from forecast.pages.handed_over import (
    CalendarShown,
    HandedShown,
    by_whom,
    calendars_shown,
    days_shut,
    handed_shown,
)
from forecast.pages.page import Asked, Page, View
from forecast.pages.plan_answer import FOR_A_VET, plan_answer
from forecast.pages.plan_timeline import Timeline, Way, timeline, ways
from forecast.pages.planning_anew import how_planning_goes
from forecast.records import care
from forecast.records.identifiers import new_id
from forecast.records.plan_decisions import PlanDecision, PlanState, decisions
from forecast.records.plans import PlanRow, newest_plan
from forecast.wording import odds, runs
from models.errors import ForepawError
from models.words import number_of

NOT_TAKEN = 422
_MORE_DATES = 2  # empty fields for dates that a vet adds


@dataclass(frozen=True)
class DoseShown:
    """One dose of a plan; `is_ahead` says whether its day is still to come, `booked` at what time.

    None: no time of it stands in the owner's calendar.
    """

    day: date
    is_ahead: bool
    booked: time | None


@dataclass(frozen=True)
class DecisionShown:
    """One decision; `reason` is what the vet wrote, "" for whoever reads no clinical notes."""

    decided_on: date
    state: str
    who: str
    dates: tuple[date, ...]
    reason: str


@dataclass(frozen=True)
class TrialShown:
    """A response trial and its verdict."""

    words: str
    begun: date
    sentence: str
    remarks: tuple[str, ...]
    due: date | None


@dataclass(frozen=True)
class LanguageShown:
    """The language in which letter and calendar go out, and why in that one.

    `on_record` is the code on the owner's record, "" where it is not known; `choices` are codes and
    names of those that can be recorded.
    """

    code: str
    name: str
    why: str
    on_record: str
    choices: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class DogPlanPage:
    """What the page of one dog's plan says.

    Attributes
    ----------
    answer
        What holds or is proposed, in a sentence.
    plan_id
        The plan that is shown: the one in force, else the newest proposal; "" where there is none.
    newer
        What the newest proposal says otherwise than the plan in force; "" where nothing.
    entered_since, taken_back_since
        What was entered, and what was taken back, since the plan that is shown was made.
    going_on
        That a plan is being worked out anew; "" where it is not.
    ways, picture
        The ways of dosing that were compared, by what they cost; and their doses on a time axis.
    odds
        What else is known of the dates, in sentences.
    uncovered
        Spans of weeks that the plan leaves mostly uncovered; None where that is not known.
    closed_because
        Why nothing may go out to the owner; "" where it may.
    no_letter
        Why there is no letter to hand over; "" where there is one.
    calendars
        Calendars of this dog that are not as they should be.
    shut
        Days signed ahead on which the dog's branch does not open, as far as that is known.
    once
        What the forms that hand over are known by: sent twice, they hand over once.
    """

    dog: DueDog
    words: str
    answer: str
    plan_id: str
    state: str
    proposal: str
    doses: tuple[DoseShown, ...]
    uncovered: tuple[tuple[date, date], ...] | None
    ways: tuple[Way, ...]
    picture: Timeline | None
    odds: tuple[str, ...]
    reasons: tuple[str, ...]
    newer: str
    entered_since: tuple[str, ...]
    taken_back_since: tuple[str, ...]
    going_on: str
    history: tuple[DecisionShown, ...]
    closed_because: str
    consent: str
    language: LanguageShown
    no_letter: str
    has_calendar: bool
    calendars: tuple[CalendarShown, ...]
    shut: tuple[date, ...]
    handed: tuple[HandedShown, ...]
    trials: tuple[TrialShown, ...]
    trial_note: str
    therapies: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    may_sign: bool
    may_accept: bool
    may_hand: bool
    may_record: bool
    date_fields: tuple[str, ...]
    today: date
    once: str
    wrong: str = ""
    typed: Mapping[str, str] | None = None


def _plan(asked: Asked) -> View:
    page = plan_page(asked)
    tables: dict[str, Sequence[dict[str, Any]]] = {
        "doses": [vars(one) for one in page.doses],
        "ways": [vars(one) | {"dates": " ".join(map(str, one.dates))} for one in page.ways],
        "decisions": [vars(one) | {"dates": " ".join(map(str, one.dates))} for one in page.history],
        "handed": [vars(one) for one in page.handed],
    }
    return View("dog_plan.html", page, tables)


def plan_page(asked: Asked) -> DogPlanPage:
    """Put together what the page says of the dog that was asked for."""
    record, shown, rules = dog_asked(asked)
    assert asked.account is not None
    account, today = asked.account, asked.practice.local_date
    kind = planned_ahead(rules)
    desk = desk_of(asked.practice, asked.records, record.id, therapy=kind.id)
    newest = newest_plan(asked.records, dog_id=record.id, therapy=kind.id)
    words = {one.id: one.words for one in rules.therapies.values()}
    weeks = None if desk.told is None else desk.told.uncovered_weeks
    spans = () if weeks is None else tuple(runs(sorted(weeks)))
    head = desk.plan.reasons[0] if desk.plan and desk.plan.reasons else {}
    trade, doses = trade_of_kept(head), () if desk.told is None else desk.told.doses
    entered, taken_back = tuple[str, ...](), tuple[str, ...]()
    if desk.plan is not None:
        moment = desk.plan.made_at
        entered, taken_back = changed_since(asked, record.id, words, moment=moment)
    ours = "signed" if desk.is_signed else "planned dates"
    return DogPlanPage(
        dog=shown,
        words=kind.words,
        answer=plan_answer(shown.name or "This dog", desk, today),
        plan_id="" if desk.plan is None else desk.plan.id,
        state="none" if desk.plan is None else desk.plan.state,
        proposal="" if desk.told is None else str(desk.told.proposal),
        doses=_doses(desk, today),
        uncovered=None if weeks is None else spans,
        ways=ways(trade),
        picture=timeline((ours, doses), trade, spans, today=today),
        odds=_odds(head),
        reasons=_reasons(desk.plan),
        newer=_newer(desk, newest, today),
        entered_since=entered,
        taken_back_since=taken_back,
        going_on=how_planning_goes(asked, record.id),
        history=_history(asked, record.id),
        closed_because=desk.gate.closed_because,
        consent=desk.gate.consent,
        language=_language(asked, desk),
        no_letter=_no_letter(desk, today),
        has_calendar=bool(desk.planned(today)),
        calendars=calendars_shown(asked, dog_id=record.id),
        shut=days_shut(asked, record.branch, desk.ahead(today)),
        handed=handed_shown(asked, desk.of),
        trials=_trials(asked, record, words),
        trial_note=NOT_EXCLUDED,
        therapies=tuple(words.items()),
        cautions=tuple(caution.sentence for caution in CAUTIONS),
        may_sign=account.may(Right.SIGN_PLANS),
        may_accept=desk.told is not None and desk.told.proposal in FOR_A_VET,
        may_hand=account.may(Right.HAND_OVER),
        may_record=account.may(Right.RECORD_CARE),
        date_fields=tuple(
            [str(one.day) for one in _doses(desk, today) if one.is_ahead] + [""] * _MORE_DATES
        ),
        today=today,
        once=new_id(),
    )


def again(asked: Asked, refused: ForepawError) -> View:
    """Show the page again with what was typed, and why it was not taken."""
    text = str(refused)
    typed = {name: asked.text(name) for name in asked.form}
    page = replace(plan_page(asked), wrong=f"{text[:1].upper()}{text[1:]}.", typed=typed)
    return View("dog_plan.html", page, status=NOT_TAKEN)


# ---------------------------------------------------------------------------------------- in words
def _doses(desk: Desk, today: date) -> tuple[DoseShown, ...]:
    doses = () if desk.told is None else desk.told.doses
    booked = {one.planned.day: one.planned.at for one in desk.held if not one.is_cancelled}
    return tuple(DoseShown(day, day >= today, booked.get(day)) for day in doses)


def _odds(head: Mapping[str, Any]) -> tuple[str, ...]:
    """Say what the plan kept of its dates beside them; of older plans nothing."""
    found = []
    before, later, price = (head.get(key) for key in ("acts_before_season", "week_later", "price"))
    if before is not None:
        found.append(f"The first dose acts before the season begins with odds of {odds(before)}.")
    if later is not None:
        found.append(f"A first dose a week later costs {more_flare_weeks(later)}.")
    if price is not None:
        found.append(
            f"A dose is worth giving where it spares {number_of(price, 'flare-week')} or more."
        )
    return tuple(found)


def _reasons(plan: PlanRow | None) -> tuple[str, ...]:
    """Return why it was proposed, and its own cautions beside those of every plan."""
    always = {one.code for one in CAUTIONS}
    return tuple(
        one["sentence"]
        for one in (plan.reasons if plan else ())
        if "sentence" in one and one.get("caution") not in always
    )


def _newer(desk: Desk, newest: PlanRow | None, today: date) -> str:
    """Say where the newest proposal differs, and why; what a vet signed is never moved by it.

    A plan made since the signing was held against it, and says nothing of a move within the
    practice's tolerance.
    """
    if newest is None or desk.plan is None or newest.state != PlanState.PROPOSED:
        return ""
    moved = str(newest.reasons[0].get("moved") or "")
    if desk.decision is None:
        return moved
    ahead = tuple(day for day in newest.doses if day >= today)
    if newest.id == desk.plan.id or ahead == desk.ahead(today):
        return ""
    if newest.made_at < desk.decision.at:
        moved = "what is signed stays until a vet changes it"
    if not moved:
        return ""
    says = ", ".join(map(str, ahead)) or str(newest.reasons[0].get("proposal", "no dose"))
    return f"the newest forecast would propose otherwise: {says}; {moved}"


def _language(asked: Asked, desk: Desk) -> LanguageShown:
    known = desk.gate.language
    chosen = language_for(asked.practice.settings, known)
    codes = dict.fromkeys((*CATALOGUES.shipped, *([known] if known else [])))
    choices = tuple((code, language_name(code)) for code in codes)
    return LanguageShown(chosen.speaks.code, chosen.speaks.name, chosen.why, known or "", choices)


def _no_letter(desk: Desk, today: date) -> str:
    if desk.told is None:
        return "there is no plan"
    if desk.given and not desk.is_signed:
        return ""
    if desk.is_past(today):
        return "every dose of the plan is past"
    try:
        variant = variant_of(desk.told)
    except ForepawError:
        return f"no letter tells of {str(desk.told.proposal)!r}; the owner is called"
    if variant in NEEDS_A_VET and not desk.is_signed:
        return "a vet signs the plan first"
    return ""


def _history(asked: Asked, dog_id: str) -> tuple[DecisionShown, ...]:
    assert asked.account is not None
    may_read = asked.account.may(Right.SEE_NOTES)
    found = decisions(asked.records, dog_id=dog_id)

    def shown(one: PlanDecision) -> DecisionShown:
        who = by_whom(asked, one.signed_by)
        reason = one.reason or "" if may_read else ""
        return DecisionShown(one.decided_on, str(one.state), who, one.dates, reason)

    return tuple(shown(one) for one in reversed(found))


def _trials(asked: Asked, record: DogRecord, words: Mapping[str, str]) -> tuple[TrialShown, ...]:
    found = []
    for row in care.trials_of(asked.records, record.id):
        one = judge_trial(
            Trial(row.therapy, row.begun),
            record.scores,
            therapies=record.therapies,
            today=asked.practice.local_date,
        )
        name = words.get(row.therapy, row.therapy)
        found.append(TrialShown(name, row.begun, one.sentence, one.remarks, one.due))
    return tuple(reversed(found))


PAGES = (Page(f"{PATH}/{{dog}}/plan", "dog-plan", Right.SEE_DOGS, _plan, has_data=True),)
