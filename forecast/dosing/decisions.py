"""A vet's decision on a plan: accepted, changed, declined, withdrawn; checked, then kept.

What a vet signed is moved by nobody but a vet. The label's minimum interval binds dates that a vet
sets as well; what else stands in the way is shown and is the vet's to weigh.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise

from forecast.dosing.dog_record import DogRecord
from forecast.dosing.therapies import DosingError, Therapy
from forecast.records.also import Also, nothing_more
from forecast.records.engine import Records
from forecast.records.plan_decisions import IN_FORCE, NewDecision, PlanState, add_decision
from forecast.records.plans import PlanRow

_PROPOSED = frozenset({PlanState.PROPOSED})


@dataclass(frozen=True)
class Signature:
    """Who decides, by the random id of an account, when, and on which day of the practice.

    `also` is done in the transaction that keeps the decision, such as the line of the audit.
    """

    account: str
    at: datetime
    today: date
    also: Also = nothing_more


def accept_plan(
    records: Records, plan: PlanRow, *, dog: DogRecord, therapy: Therapy, signature: Signature
) -> None:
    """Accept a plan as it was proposed; one of the same therapy that was in force is withdrawn.

    A plan without doses, such as to hold a slot, can be accepted too.

    Raises
    ------
    DosingError
        If its dates can no longer be kept: one is past, or a dose was given since.
    """
    check_dates(plan.doses, dog=dog, therapy=therapy, today=signature.today)
    _decide(records, plan, PlanState.ACCEPTED, _PROPOSED, signature=signature, dates=plan.doses)


def change_plan(
    records: Records,
    plan: PlanRow,
    dates: Sequence[date],
    *,
    dog: DogRecord,
    therapy: Therapy,
    reason: str,
    signature: Signature,
) -> None:
    """Sign a plan with other dates, proposed or in force until now, and say why.

    Raises
    ------
    DosingError
        If two doses are closer than the label allows, also to one already given, or one is past;
        if no reason is given.
    """
    ahead = tuple(sorted(dates))
    if not ahead:
        raise DosingError(
            "a plan was to be changed to no dose at all; decline or withdraw it instead"
        )
    check_dates(ahead, dog=dog, therapy=therapy, today=signature.today)
    reason = _said(reason, "changed")
    after = _PROPOSED | IN_FORCE
    _decide(
        records, plan, PlanState.CHANGED, after, signature=signature, dates=ahead, reason=reason
    )


def decline_plan(records: Records, plan: PlanRow, *, reason: str, signature: Signature) -> None:
    """Decline a proposal, and say why."""
    reason = _said(reason, "declined")
    _decide(records, plan, PlanState.DECLINED, _PROPOSED, signature=signature, reason=reason)


def withdraw_plan(records: Records, plan: PlanRow, *, reason: str, signature: Signature) -> None:
    """End a plan that was in force, and say why: what is left of its doses is not given."""
    reason = _said(reason, "withdrawn")
    _decide(records, plan, PlanState.WITHDRAWN, IN_FORCE, signature=signature, reason=reason)


def check_dates(dates: Sequence[date], *, dog: DogRecord, therapy: Therapy, today: date) -> None:
    """Refuse dates, in order, of which one is past or too close to the dose before.

    Doses given or handed out by today count.
    """
    if dates and not therapy.planned_ahead:
        raise DosingError(
            f"a dose of {therapy.words} was to be planned for {dates[0]}; it is a course, whose "
            "doses are not dated ahead: hold a slot instead"
        )
    past = [day for day in dates if day < today]
    if past:
        raise DosingError(
            f"a dose was to be planned for {past[0]}, and it is {today}; give dates from today on, "
            "or have the dog planned anew"
        )
    last = dog.last_dose(therapy.id, today)
    given = [] if last is None else [last]
    for before, day in pairwise([*given, *dates]):
        if (day - before).days < therapy.minimum_interval:
            raise DosingError(
                f"a dose of {therapy.words} was to be planned for {day}, "
                f"{(day - before).days} days after the one of {before}; doses are at least "
                f"{therapy.minimum_interval} days apart "
                f"({therapy.parameters['minimum_interval'].source}); choose a later day"
            )


def _said(reason: str, done: str) -> str:
    if not reason.strip():
        raise DosingError(f"a plan was to be {done} without a reason; say why")
    return reason.strip()


def _decide(
    records: Records,
    plan: PlanRow,
    state: PlanState,
    after: frozenset[PlanState],
    *,
    signature: Signature,
    dates: Sequence[date] = (),
    reason: str | None = None,
) -> None:
    decision = NewDecision(
        plan_id=plan.id,
        state=state,
        after=after,
        decided_on=signature.today,
        at=signature.at,
        signed_by=signature.account,
        dates=tuple(dates),
        reason=reason,
    )
    add_decision(records, decision, also=signature.also)
