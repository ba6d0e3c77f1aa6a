"""Calendars to be put right: to be cancelled, given anew, or given to a new owner."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from sqlalchemy import Connection

from forecast.letters.desk import plan_told
from forecast.letters.events import Event, as_kept, from_kept, planned_events, revised, standing
from forecast.letters.gate import Gate, OwnerBefore, gate_of, gates, owners_before
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.handovers import (
    Correspondence,
    Handover,
    calendars_out,
    last_calendar_of_plans,
)
from forecast.records.plan_decisions import PlanDecision, in_force_within
from forecast.records.plans import plan_within


class Task(StrEnum):
    """What is to be done about a calendar."""

    CANCEL = "to be cancelled"
    ANEW = "to be given anew"
    NEW_OWNER = "to be given"


@dataclass(frozen=True)
class CalendarDue:
    """A calendar that an owner has and that is no longer right, or one that a new owner lacks.

    Attributes
    ----------
    of
        Whose calendar it is, of which dog and therapy.
    days
        The days ahead that stand in it, or that are to.
    """

    gate: Gate
    of: Correspondence
    task: Task
    why: str
    days: tuple[date, ...]

    @property
    def is_of_owner_before(self) -> bool:
        """Whether whoever has it no longer owns the dog."""
        return self.of.owner_id not in (self.gate.owner_id, None)


def calendars_due(
    practice: Practice, records: Records, *, dog_id: str | None = None
) -> list[CalendarDue]:
    """Return the calendars to be put right, of one dog if asked so: cancelled first, by dog."""
    today = practice.local_date
    with records.reading() as connection:
        out = calendars_out(connection, dog_id=dog_id)
        if not out:
            return []
        known = (
            gates(connection, on=today)
            if dog_id is None
            else {dog_id: gate_of(connection, dog_id, on=today)}
        )
        found = [_due(connection, one, known[of.dog_id], today) for of, one in out.items()]
        found += _lacking(connection, known, out, today=today, dog_id=dog_id)
    due = [one for one in found if one is not None and one.gate.is_named]
    order = list(Task)
    return sorted(due, key=lambda one: (order.index(one.task), one.gate.number, one.of.therapy))


def due_within(
    connection: Connection, of: Correspondence, gate: Gate, *, today: date
) -> CalendarDue | None:
    """Say within a transaction what is to be done about one calendar; None for nothing."""
    out = calendars_out(connection, dog_id=of.dog_id).get(of)
    return None if out is None else _due(connection, out, gate, today)


def _due(connection: Connection, out: Handover, gate: Gate, today: date) -> CalendarDue | None:
    held = from_kept(out.events)
    ahead = standing(held, today=today)
    if not ahead:
        return None
    of, days = out.of, tuple(one.planned.day for one in ahead)
    # whose one is of which no owner is on record is not known: it is taken for the present one's
    if of.owner_id not in (gate.owner_id, None):
        assert of.owner_id is not None
        before = owners_before(connection, [of.owner_id], on=today).get(of.owner_id)
        return _of_owner_before(gate, of, before, days)
    if not gate.is_open:
        return CalendarDue(gate, of, Task.CANCEL, gate.closed_because, days)
    wanted = signed_events(connection, of, held, today=today)
    if wanted is None:
        return CalendarDue(gate, of, Task.CANCEL, "no plan is in force any more", days)
    if not standing(wanted, today=today):
        return CalendarDue(gate, of, Task.CANCEL, "the plan in force has no day ahead", days)
    if sorted(as_kept(wanted), key=str) != sorted(_ahead(held, today), key=str):
        return CalendarDue(gate, of, Task.ANEW, "a vet signed other dates", days)
    return None


def _of_owner_before(
    gate: Gate, of: Correspondence, before: OwnerBefore | None, days: tuple[date, ...]
) -> CalendarDue | None:
    """Have it cancelled; of somebody erased, dead or without consent nothing is to be done."""
    if before is None or not before.may_be_told:
        return None
    why = "the dog has another owner now"
    return CalendarDue(gate, of, Task.CANCEL, why, days)


def _lacking(
    connection: Connection,
    known: Mapping[str, Gate],
    out: Mapping[Correspondence, Handover],
    *,
    today: date,
    dog_id: str | None,
) -> list[CalendarDue]:
    """Return what new owners lack: the calendar of a plan in force that an owner before was given.

    That a vet signed a plan that nobody was told of is no matter of calendars.
    """
    given = last_calendar_of_plans(connection, dog_id=dog_id)
    found = []
    for (dog, therapy), decision in in_force_within(connection, dog_id=dog_id).items():
        gate = known[dog]
        of = Correspondence(dog, gate.owner_id, therapy)
        other = decision.plan_id in given and given[decision.plan_id] != gate.owner_id
        if not other or not gate.is_open:
            continue
        held = from_kept(out[of].events) if of in out else []
        days = _days_of(connection, decision, today)
        if days and not standing(held, today=today):
            why = "the dog's new owner has no calendar of the plan in force"
            found.append(CalendarDue(gate, of, Task.NEW_OWNER, why, days))
    return found


def _days_of(connection: Connection, decision: PlanDecision, today: date) -> tuple[date, ...]:
    plan = plan_within(connection, decision.plan_id)
    assert plan is not None
    told = plan_told(plan, decision, given=(), today=today)
    planned = planned_events(told.doses, told.uncovered_weeks, today=today)
    return tuple(sorted(one.day for one in planned))


def _ahead(held: Sequence[Event], today: date) -> list[dict[str, object]]:
    return list(as_kept(one for one in held if one.planned.last >= today))


def signed_events(
    connection: Connection, of: Correspondence, held: Sequence[Event], *, today: date
) -> list[Event] | None:
    """Return what a calendar would hold by the plan in force; None where none is."""
    signed = in_force_within(connection, dog_id=of.dog_id, therapy=of.therapy)
    decision = signed.get((of.dog_id, of.therapy))
    if decision is None:
        return None
    plan = plan_within(connection, decision.plan_id)
    assert plan is not None
    told = plan_told(plan, decision, given=(), today=today)
    wanted = planned_events(told.doses, told.uncovered_weeks, today=today)
    return revised(held, wanted, today=today)
