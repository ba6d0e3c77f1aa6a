"""Plans of staff as they were reckoned, and which roster was agreed to be worked by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import delete, insert, select, update

from forecast.records import tables
from forecast.records.also import Also, nothing_more
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id

PLAN, WHAT_IF = "plan", "what if"


@dataclass(frozen=True)
class StaffPlanRow:
    """What the records keep of a plan.

    Attributes
    ----------
    asked
        What was asked of the reckoning: weeks, service, a change to try.
    content
        JSON text; who reads it knows what of.
    agreed_at, agreed_by
        Since when its roster is worked by, and the random id of who said so; None: a proposal.
    """

    id: str
    issue_id: str
    made_at: datetime
    kind: str
    asked: dict[str, Any]
    content: str
    agreed_at: datetime | None = None
    agreed_by: str | None = None

    @property
    def changed_at(self) -> datetime:
        """When it was made, or agreed since."""
        return self.made_at if self.agreed_at is None else max(self.made_at, self.agreed_at)


def add_staff_plan(
    records: Records,
    *,
    issue_id: str,
    made_at: datetime,
    kind: str,
    asked: Mapping[str, Any],
    content: str,
    newest: int,
) -> str:
    """Keep a plan; of its kind the `newest` stay, and all that were agreed. Return its id."""
    row = StaffPlanRow(new_id(), issue_id, made_at, kind, dict(asked), content)
    table = tables.staff_plan
    with records.writing() as connection:
        connection.execute(insert(table), vars(row))
        same = select(table.c.id).where(table.c.kind == kind, table.c.agreed_at.is_(None))
        stay = list(
            connection.scalars(same.order_by(table.c.made_at.desc(), table.c.id).limit(newest))
        )
        connection.execute(
            delete(table).where(
                table.c.kind == kind,
                table.c.agreed_at.is_(None),
                table.c.id.not_in([*stay, row.id]),
            )
        )
    return row.id


def newest_staff_plan(records: Records, *, kind: str = PLAN) -> StaffPlanRow | None:
    """Return the newest plan of a kind; None where there is none."""
    table = tables.staff_plan
    query = select(table).where(table.c.kind == kind)
    with records.reading() as connection:
        row = connection.execute(query.order_by(table.c.made_at.desc(), table.c.id)).first()
    return None if row is None else StaffPlanRow(**row._mapping)


def staff_plan(records: Records, plan_id: str) -> StaffPlanRow:
    """Return one plan."""
    table = tables.staff_plan
    with records.reading() as connection:
        row = connection.execute(select(table).where(table.c.id == plan_id)).first()
    if row is None:
        raise RecordsError(f"the plan of staff {plan_id!r} was asked for; there is no such plan")
    return StaffPlanRow(**row._mapping)


def agreed_staff_plans(records: Records, *, since: datetime) -> list[StaffPlanRow]:
    """Return the plans agreed, made since a moment, oldest first: a later one stands before."""
    table = tables.staff_plan
    query = select(table).where(table.c.agreed_at.is_not(None), table.c.made_at >= since)
    in_order = query.order_by(table.c.agreed_at, table.c.made_at, table.c.id)
    with records.reading() as connection:
        rows = connection.execute(in_order).all()
    return [StaffPlanRow(**row._mapping) for row in rows]


def agree_staff_plan(
    records: Records, plan_id: str, *, by: str, at: datetime, also: Also = nothing_more
) -> None:
    """Write down that a plan's roster is worked by; `also` is done in the same transaction.

    Raises
    ------
    RecordsError
        If there is no such plan, or it was agreed before.
    """
    table = tables.staff_plan
    still = update(table).where(table.c.id == plan_id, table.c.agreed_at.is_(None))
    with records.writing() as connection:
        changed = connection.execute(still.values(agreed_at=at, agreed_by=by)).rowcount
        if changed != 1:
            raise RecordsError(
                f"the plan of staff {plan_id!r} was to be agreed; there is none, or it was before"
            )
        also(connection)
