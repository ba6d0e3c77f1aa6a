"""How one dog stands at the desk that hands letters out: gate, plan, what the owner was told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, time

from sqlalchemy import Connection

from forecast.dosing.plan import Proposal
from forecast.letters.events import (
    Event,
    Planned,
    What,
    from_kept,
    planned_events,
    standing,
)
from forecast.letters.gate import Gate, gate_of
from forecast.letters.letter import PlanTold
from forecast.practice import Practice
from forecast.records import handovers
from forecast.records.engine import Records
from forecast.records.handovers import Correspondence, calendars_out, newest_of_each
from forecast.records.plan_decisions import PlanDecision, in_force_within
from forecast.records.plans import PlanRow, newest_plan, plan_within
from forecast.records.tables import HANDOVER_KINDS


@dataclass(frozen=True)
class Desk:
    """How one dog stands at the desk that hands letters out.

    Attributes
    ----------
    gate
        Whether anything may go out.
    of
        Between whom and about what: the present owner, and one class of therapy.
    plan, decision
        The plan in force and the decision that holds; else the newest proposal, and None.
    told
        What a letter tells of that plan; None where there is no plan.
    held
        What the owner's calendar holds.
    given
        The days ahead that this owner was told last, by letter or calendar.
    """

    gate: Gate
    of: Correspondence
    plan: PlanRow | None
    decision: PlanDecision | None
    told: PlanTold | None
    held: tuple[Event, ...]
    given: tuple[date, ...]

    @property
    def is_signed(self) -> bool:
        """Whether a vet has signed the plan."""
        return self.decision is not None

    def is_past(self, today: date) -> bool:
        """Say whether the plan has dates and every one is past."""
        return bool(self.told and self.told.doses) and not self.ahead(today)

    def ahead(self, today: date) -> tuple[date, ...]:
        """Return the days of the plan from today on."""
        return () if self.told is None else tuple(d for d in self.told.doses if d >= today)

    def planned(self, today: date) -> list[Planned]:
        """Return what a calendar of the signed plan would hold from today on; nothing unsigned."""
        if self.told is None or not self.is_signed:
            return []
        return planned_events(self.told.doses, self.told.uncovered_weeks, today=today)


def desk_of(practice: Practice, records: Records, dog_id: str, *, therapy: str) -> Desk:
    """Return how a dog stands at the desk, for one class of therapy."""
    newest = newest_plan(records, dog_id=dog_id, therapy=therapy)
    with records.reading() as connection:
        return desk_within(connection, dog_id, therapy, newest, today=practice.local_date)


def desk_within(
    connection: Connection, dog_id: str, therapy: str, newest: PlanRow | None, *, today: date
) -> Desk:
    """Return the same within a transaction; `newest` is the proposal where none is in force."""
    gate = gate_of(connection, dog_id, on=today)
    of = Correspondence(dog_id, gate.owner_id, therapy)
    held, given = held_within(connection, of), _given(connection, of, today)
    decision = in_force_within(connection, dog_id=dog_id, therapy=therapy).get((dog_id, therapy))
    plan = newest if decision is None else plan_within(connection, decision.plan_id)
    told = None
    if plan is not None:
        told = plan_told(plan, decision, given=given, today=today)
        told = replace(told, times=_booked(held))
    return Desk(gate, of, plan, decision, told, held, given)


def _booked(held: Sequence[Event]) -> dict[date, time]:
    """Return the times that were booked, as the owner's calendar holds them."""
    return {
        one.planned.day: one.planned.at
        for one in held
        if one.planned.at is not None and not one.is_cancelled
    }


def plan_told(
    plan: PlanRow, decision: PlanDecision | None, *, given: Sequence[date], today: date
) -> PlanTold:
    """Return what is told of a plan: the dates as they were signed, and what they leave uncovered.

    Of dates that a vet set otherwise than proposed, nobody has worked out what they leave. `given`
    are the days ahead that the owner was told before.
    """
    head = plan.reasons[0] if plan.reasons else {}
    doses = plan.doses if decision is None else decision.dates
    as_proposed = decision is None or decision.dates == plan.doses
    known = as_proposed and bool(head.get("uncovered_weeks_known"))
    proposal = Proposal(head.get("proposal", Proposal.HOLD_A_SLOT))
    return PlanTold(
        therapy=plan.therapy,
        proposal=Proposal.DATED_DOSES if doses else proposal,
        doses=doses,
        uncovered_weeks=plan.uncovered_weeks if known else None,
        replaces_dates=bool(given) and set(given) != {day for day in doses if day >= today},
        is_vets_choice=not as_proposed,
        follows_past=proposal is Proposal.DATED_DOSES,
    )


def held_within(connection: Connection, of: Correspondence) -> tuple[Event, ...]:
    """Return what an owner's calendar holds of a dog and therapy."""
    out = calendars_out(connection, dog_id=of.dog_id).get(of)
    return () if out is None else tuple(from_kept(out.events))


def _given(connection: Connection, of: Correspondence, today: date) -> tuple[date, ...]:
    """Return the days ahead that an owner was told last, by letter or calendar."""
    last = newest_of_each(connection, HANDOVER_KINDS, dog_id=of.dog_id).get(of)
    if last is None:
        return ()
    if last.kind == handovers.LETTER:
        days = [date.fromisoformat(one["day"]) for one in last.events]
    else:
        ahead = standing(from_kept(last.events), today=today)
        days = [one.planned.day for one in ahead if one.planned.what is What.VISIT]
    return tuple(day for day in days if day >= today)
