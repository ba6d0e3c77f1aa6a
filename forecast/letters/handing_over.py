"""Handing letters and calendars over: looked at again, written down, then given out.

The gate and the plan are read again in the transaction that writes the hand-over down, so that
nothing goes out for a dog that died while its letter lay on the desk. It is written down before
the file is given: a file that got lost is made again, one that nobody knows of is never cancelled.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, time
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from forecast.letters.calendar_file import Subject, calendar_file
from forecast.letters.calendars_due import Task, due_within
from forecast.letters.catalogues import language_for
from forecast.letters.desk import Desk, desk_within, held_within
from forecast.letters.events import (
    Event,
    all_cancelled,
    as_kept,
    from_kept,
    planned_events,
    revised,
    standing,
)
from forecast.letters.gate import Gate, LetterError, gate_of
from forecast.letters.letter import Letter, Names, Variant, make_letter, variant_of
from forecast.practice import Practice
from forecast.records import handovers
from forecast.records.also import Also, nothing_more
from forecast.records.branches import branches
from forecast.records.care import reaction_standing
from forecast.records.dogs import dog, language_of
from forecast.records.engine import Records
from forecast.records.handovers import Correspondence, Handover, add_handover, calendars_out
from forecast.records.plan_decisions import PlanDecision, PlanState

_ENDED = (PlanState.DECLINED, PlanState.WITHDRAWN)
_DATED = (Variant.DATES, Variant.CHANGED)
NEEDS_A_VET = (*_DATED, Variant.FIRST_ITCH)


def letter_of(practice: Practice, desk: Desk, *, owner: str, vet: str) -> Letter:
    """Return the letter for a dog as it stands at the desk, to be read before it is handed over.

    Raises
    ------
    LetterError
        If nothing may go out for the dog, or there is nothing that a letter tells of.
    """
    desk.gate.check("a letter")
    variant = Variant.CANCELLED if desk.given and not desk.is_signed else None
    if desk.told is None or desk.plan is None:
        raise LetterError(
            f"a letter was asked for dog {desk.gate.number}, which has no plan; make one with "
            "`forepaw plan`"
        )
    if variant is None and desk.plan.state in _ENDED:
        raise LetterError(
            f"a letter was asked for dog {desk.gate.number}, whose plan is {desk.plan.state}; a "
            "vet changes it, or a new one is made"
        )
    if variant is None and desk.is_past(practice.local_date):
        raise LetterError(
            f"a letter was asked for dog {desk.gate.number}, of whose plan every day is past; have "
            "the dog planned anew"
        )
    return make_letter(
        practice.settings,
        Names(desk.gate.name, owner, vet),
        desk.told,
        variant=variant or variant_of(desk.told),
        today=practice.local_date,
        is_signed=desk.is_signed,
        speaks=language_for(practice.settings, desk.gate.language).speaks,
    )


def hand_over_letter(
    practice: Practice,
    records: Records,
    desk: Desk,
    letter: Letter,
    *,
    account_id: str | None,
    form_key: str | None = None,
    also: Also = nothing_more,
) -> None:
    """Write down that a letter goes out; `also` is done in the same transaction.

    What the form of a page, told by `form_key`, brought before is not written down again.

    Raises
    ------
    LetterError
        If nothing may go out any more, no vet has signed the plan, the dog has reacted to the class
        and no vet has let it be given again, or since the letter was made it was decided on anew,
        the dog has another owner or the owner another language.
    """
    of, plan = desk.gate, desk.plan
    assert plan is not None
    with records.writing() as connection:
        now = desk_within(connection, of.dog_id, plan.therapy, plan, today=practice.local_date)
        now.gate.check("a letter")
        if letter.variant in NEEDS_A_VET:
            _check_signed(now, "a letter")
            _check_reactions(connection, now, "a letter", today=practice.local_date)
        if now.decision != desk.decision:
            raise LetterError(
                f"the letter for dog {of.number} was made before a vet decided on its plan anew; "
                "make it again"
            )
        if now.of != desk.of:
            raise LetterError(
                f"the letter for dog {of.number} was made before it had another owner; make it "
                "again"
            )
        speaks = language_for(practice.settings, now.gate.language).speaks
        if letter.language != speaks.code:
            raise LetterError(
                f"the letter for dog {of.number} was made before its owner was to be written to in "
                f"{speaks.name}; make it again"
            )
        named = [] if letter.variant not in _DATED or now.told is None else now.told.doses
        ahead = [day for day in named if day >= practice.local_date]
        days = tuple({"day": day.isoformat()} for day in ahead)
        kind, at = handovers.LETTER, practice.now
        one = Handover(now.of, plan.id, kind, at, account_id, days, form_key)
        if add_handover(connection, one):
            also(connection)


def hand_over_calendar(
    practice: Practice,
    records: Records,
    dog_id: str,
    *,
    therapy: str,
    account_id: str | None,
    times: Mapping[date, time | None] | None = None,
    form_key: str | None = None,
    also: Also = nothing_more,
) -> bytes:
    """Write down what an owner's calendar holds from now on, and return it as a file.

    A calendar that this owner was given before is revised: the same events under the same UIDs,
    those that no longer stand cancelled.

    Parameters
    ----------
    times
        Times that were booked, by the day of the dose; None takes back what was booked that day.
    form_key
        Of the form of a page: sent twice, it is one hand-over.
    also
        Done in the same transaction, such as the line of the audit.

    Raises
    ------
    LetterError
        If nothing may go out, no vet has signed the plan, the dog has reacted to the class and no
        vet has let it be given again, or the plan has no day ahead.
    """
    place, today = _place(practice, records, dog_id), practice.local_date
    with records.writing() as connection:
        desk = desk_within(connection, dog_id, therapy, None, today=today)
        desk.gate.check("a calendar")
        decision = _check_signed(desk, "a calendar")
        _check_reactions(connection, desk, "a calendar", today=today)
        assert desk.told is not None
        wanted = planned_events(
            desk.told.doses, desk.told.uncovered_weeks, today=today, times=times
        )
        events = revised(desk.held, wanted, today=today)
        if not events:
            raise LetterError(
                f"a calendar was asked for dog {desk.gate.number}; its plan has no day ahead"
            )
        kept, kind, at = as_kept(events), handovers.CALENDAR, practice.now
        one = Handover(desk.of, decision.plan_id, kind, at, account_id, kept, form_key)
        if add_handover(connection, one):
            also(connection)
    speaks = language_for(practice.settings, desk.gate.language).speaks
    about = Subject(desk.gate.name, *place, speaks)
    return calendar_file(practice.settings, about, events, now=practice.now)


def hand_over_cancellation(
    practice: Practice,
    records: Records,
    of: Correspondence,
    *,
    account_id: str | None,
    form_key: str | None = None,
    also: Also = nothing_more,
) -> bytes:
    """Write down that all an owner's calendar holds of a dog is cancelled, and return the file.

    `of` says whose calendar; `also` is done in the same transaction. A form, told by `form_key`,
    that is sent twice cancels once and gets the same file again.

    The gate does not hold it back: whoever was given dates may be told that they no longer stand.
    Whoever owned the dog before is told only while their consent holds.

    Raises
    ------
    LetterError
        If the calendar holds nothing ahead, or what it holds still stands.
    """
    place, today = _place(practice, records, of.dog_id), practice.local_date
    with records.writing() as connection:
        gate, held = gate_of(connection, of.dog_id, on=today), held_within(connection, of)
        speaks = language_for(practice.settings, language_of(connection, of.owner_id)).speaks
        kept, kind = as_kept(all_cancelled(held, today=today)), handovers.CANCELLATION
        one = Handover(of, None, kind, practice.now, account_id, kept, form_key)
        if not one.is_again(calendars_out(connection, dog_id=of.dog_id).get(of)):
            due = due_within(connection, of, gate, today=today)
            if due is None or due.task is not Task.CANCEL:
                raise LetterError(_why_not_cancelled(gate, held, today))
            add_handover(connection, one)
            also(connection)
    about = Subject(gate.name, *place, speaks)
    return calendar_file(practice.settings, about, from_kept(kept), now=practice.now)


def _why_not_cancelled(gate: Gate, held: Sequence[Event], today: date) -> str:
    if not standing(held, today=today):
        why = "none is out"
    elif gate.is_open:
        why = "a plan that a vet signed stands, or whoever has it is not to be written to"
    else:
        why = "whoever has it is not to be written to"
    return f"the calendar of dog {gate.number or 'erased'} was to be cancelled; {why}"


def _check_signed(desk: Desk, what: str) -> PlanDecision:
    if desk.decision is None:
        state = PlanState.PROPOSED if desk.plan is None else desk.plan.state
        raise LetterError(
            f"{what} was to be handed over for dog {desk.gate.number}; its plan is {state}: a vet "
            "signs it first"
        )
    return desk.decision


def _check_reactions(connection: Connection, desk: Desk, what: str, *, today: date) -> None:
    """Refuse to tell dates of a class that the dog has reacted to, however they were signed."""
    seen = reaction_standing(connection, desk.of.dog_id, desk.of.therapy, on=today)
    if seen is not None:
        raise LetterError(
            f"{what} was to be handed over for dog {desk.gate.number}; a reaction to this class "
            f"was recorded on {seen}, and no vet has signed since that it may be given again: a "
            "vet looks at the plan first"
        )


def _place(practice: Practice, records: Records, dog_id: str) -> tuple[str, ZoneInfo]:
    """Return where a dog is seen, and the time zone by whose clock."""
    branch = branches(records).get(dog(records, dog_id, on=practice.local_date).branch_id or "")
    if branch is None:
        return practice.settings.practice.name, practice.time_zone
    zones = {one.id: one.time_zone for one in practice.settings.region}
    zone = zones.get(branch.region_id)
    return branch.name, practice.time_zone if zone is None else ZoneInfo(zone)
