"""What vets decided on plans: accepted, changed, declined, withdrawn; every decision is kept.

Of one dog and therapy at most one plan is in force. Nothing but a decision moves its dates.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from forecast.records import tables
from forecast.records.also import Also, nothing_more
from forecast.records.dated import ACTIVE, STATUS_NOT_KNOWN, dog_statuses_on
from forecast.records.engine import Records, RecordsError


class PlanState(StrEnum):
    """How a plan stands: as it was proposed, or as a vet decided last."""

    PROPOSED = "proposed"
    ACCEPTED = "accepted"
    CHANGED = "changed"
    DECLINED = "declined"
    WITHDRAWN = "withdrawn"


IN_FORCE = frozenset({PlanState.ACCEPTED, PlanState.CHANGED})
REPLACED = "another plan of this therapy was signed"


@dataclass(frozen=True)
class PlanDecision:
    """One decision on a plan; `dates` are the doses that hold from it on, none where it ends."""

    id: int
    plan_id: str
    dog_id: str
    state: PlanState
    decided_on: date
    at: datetime
    signed_by: str
    dates: tuple[date, ...]
    reason: str | None


@dataclass(frozen=True)
class NewDecision:
    """A decision on its way into the records; `after` names the states from which it may come."""

    plan_id: str
    state: PlanState
    after: frozenset[PlanState]
    decided_on: date
    at: datetime
    signed_by: str
    dates: tuple[date, ...] = ()
    reason: str | None = None


def add_decision(
    records: Records,
    new: NewDecision,
    *,
    also: Also = nothing_more,
) -> None:
    """Record a decision; a plan of the same dog and therapy that it replaces is withdrawn.

    `also` is done in the same transaction.

    Raises
    ------
    RecordsError
        If there is no such plan, or it stands otherwise by now: two people may have had it before
        them at once, and only the first one's decision counts.
    """
    table = tables.dose_plan
    with records.writing() as connection:
        query = select(table.c.dog_id, table.c.therapy, table.c.state)
        plan = connection.execute(query.where(table.c.id == new.plan_id)).one_or_none()
        if plan is None:
            raise RecordsError(
                f"plan {new.plan_id!r} was to become {new.state}; there is no such plan"
            )
        if plan.state not in new.after:
            raise RecordsError(
                f"plan {new.plan_id!r} was to become {new.state}; it is {plan.state} by now, and "
                f"only one that is {' or '.join(sorted(new.after))} can; look at it again"
            )
        if new.state in IN_FORCE:
            _withdraw_others(connection, new, dog_id=plan.dog_id, therapy=plan.therapy)
        _write(connection, new, plan.dog_id)
        also(connection)


def _withdraw_others(
    connection: Connection, new: NewDecision, *, dog_id: str, therapy: str
) -> None:
    table = tables.dose_plan
    others = select(table.c.id).where(
        table.c.dog_id == dog_id,
        table.c.therapy == therapy,
        table.c.id != new.plan_id,
        table.c.state.in_(IN_FORCE),
    )
    for plan_id in connection.scalars(others).all():
        ended = NewDecision(
            plan_id,
            PlanState.WITHDRAWN,
            IN_FORCE,
            decided_on=new.decided_on,
            at=new.at,
            signed_by=new.signed_by,
            reason=REPLACED,
        )
        _write(connection, ended, dog_id)


def _write(connection: Connection, new: NewDecision, dog_id: str) -> None:
    values = {
        "plan_id": new.plan_id,
        "dog_id": dog_id,
        "state": new.state,
        "date": new.decided_on,
        "at": new.at,
        "signed_by": new.signed_by,
        "dates": [day.isoformat() for day in new.dates],
        "reason": new.reason,
    }
    connection.execute(insert(tables.plan_decision), values)
    stands: dict[str, Any] = {"state": new.state}
    if new.state in IN_FORCE:
        stands["signed_by"] = new.signed_by
    plan = tables.dose_plan
    connection.execute(update(plan).where(plan.c.id == new.plan_id).values(stands))


def decisions(
    records: Records, *, plan_ids: Collection[str] | None = None, dog_id: str | None = None
) -> list[PlanDecision]:
    """Return decisions in the order they were made, on some plans or one dog if asked so."""
    table = tables.plan_decision
    query = select(table).order_by(table.c.id)
    if plan_ids is not None:
        query = query.where(table.c.plan_id.in_(plan_ids))
    if dog_id is not None:
        query = query.where(table.c.dog_id == dog_id)
    with records.reading() as connection:
        return [_decision(row) for row in connection.execute(query)]


def in_force(
    records: Records, *, dog_id: str | None = None, therapy: str | None = None
) -> dict[tuple[str, str], PlanDecision]:
    """Return by dog and therapy the decision that holds, of one of them if asked so."""
    with records.reading() as connection:
        return in_force_within(connection, dog_id=dog_id, therapy=therapy)


def in_force_within(
    connection: Connection, *, dog_id: str | None = None, therapy: str | None = None
) -> dict[tuple[str, str], PlanDecision]:
    """Return the same within a transaction of the caller's."""
    plan, table = tables.dose_plan, tables.plan_decision
    query = select(table, plan.c.therapy).join(plan, plan.c.id == table.c.plan_id)
    query = query.where(plan.c.state.in_(IN_FORCE)).order_by(table.c.id)
    if dog_id is not None:
        query = query.where(plan.c.dog_id == dog_id)
    if therapy is not None:
        query = query.where(plan.c.therapy == therapy)
    rows: Iterable[Row[Any]] = connection.execute(query).all()
    return {(row.dog_id, row.therapy): _decision(row) for row in rows}  # the last one counts


def signed_doses(records: Records, *, after: date) -> list[tuple[date, str]]:
    """Return day and branch of each dose after a day of the plans in force, by day.

    The days are those that vets signed. A dog without a branch is left out, and one that is known
    to be the practice's no longer.
    """
    dog, here = tables.dog, (ACTIVE, STATUS_NOT_KNOWN)
    with records.reading() as connection:
        statuses = dog_statuses_on(connection, after)
        rows = connection.execute(select(dog.c.id, dog.c.branch_id)).all()
        branch_of = {
            row.id: row.branch_id
            for row in rows
            if row.branch_id is not None and statuses.get(row.id, STATUS_NOT_KNOWN) in here
        }
        signed = in_force_within(connection)
    return sorted(
        (day, branch_of[dog_id])
        for (dog_id, _), decision in signed.items()
        for day in decision.dates
        if day > after and dog_id in branch_of
    )


def _decision(row: Row[Any]) -> PlanDecision:
    return PlanDecision(
        id=row.id,
        plan_id=row.plan_id,
        dog_id=row.dog_id,
        state=PlanState(row.state),
        decided_on=row.date,
        at=row.at,
        signed_by=row.signed_by,
        dates=tuple(date.fromisoformat(day) for day in row.dates),
        reason=row.reason,
    )
