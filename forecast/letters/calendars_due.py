"""Calendars that owners have and that are no longer right: to be cancelled, or given anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from forecast.letters.desk import plan_told
from forecast.letters.events import Event, as_kept, from_kept, planned_events, revised, standing
from forecast.letters.gate import Gate, gates
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.handovers import calendars_out
from forecast.records.plan_decisions import in_force_within
from forecast.records.plans import plan_within


@dataclass(frozen=True)
class CalendarDue:
    """A calendar that an owner has and that is no longer right.

    `is_over` says whether all of it is to be cancelled, else it shows other dates than were signed.
    """

    gate: Gate
    is_over: bool
    why: str
    days: tuple[date, ...]


def calendars_due(practice: Practice, records: Records) -> list[CalendarDue]:
    """Return the calendars that are out and no longer right: cancelled first, by dog."""
    today = practice.local_date
    with records.reading() as connection:
        out = calendars_out(connection)
        known = gates(connection, on=today) if out else {}
        found = []
        for dog_id, one in out.items():
            held = tuple(from_kept(one.events))
            wanted = signed_events(connection, dog_id, held, today=today)
            found.append(due_of(known[dog_id], held, wanted, today=today))
    due = [one for one in found if one is not None and one.gate.is_named]
    return sorted(due, key=lambda one: (not one.is_over, one.gate.number))


def due_of(
    gate: Gate, held: Sequence[Event], wanted: list[Event] | None, *, today: date
) -> CalendarDue | None:
    """Say whether a calendar is still right, from what it would hold by what vets signed."""
    ahead = standing(held, today=today)
    if not ahead:
        return None
    days = tuple(one.planned.day for one in ahead)
    if not gate.is_open:
        return CalendarDue(gate, True, gate.closed_because, days)
    if wanted is None or not standing(wanted, today=today):
        return CalendarDue(gate, True, "no plan is in force any more", days)
    if sorted(as_kept(wanted), key=str) != sorted(_ahead(held, today), key=str):
        return CalendarDue(gate, False, "a vet signed other dates", days)
    return None


def _ahead(held: Sequence[Event], today: date) -> list[dict[str, object]]:
    return list(as_kept(one for one in held if one.planned.last >= today))


def signed_events(
    connection: Connection, dog_id: str, held: Sequence[Event], *, today: date
) -> list[Event] | None:
    """Return what the calendar would hold by the plans in force; None where none is."""
    signed = in_force_within(connection, dog_id=dog_id)
    if not signed:
        return None
    wanted = []
    for decision in signed.values():
        plan = plan_within(connection, decision.plan_id)
        assert plan is not None
        told = plan_told(plan, decision, given=(), today=today)
        wanted += planned_events(told.doses, told.uncovered_weeks, today=today)
    return revised(held, wanted, today=today)
