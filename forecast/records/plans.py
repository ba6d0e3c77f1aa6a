"""Dated plans of doses, as proposed to a vet and as signed by one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, and_, func, or_, select

from forecast.records import tables
from forecast.records.engine import Records, RecordsError

_AT_ONCE = 5000  # ids in one query; databases bound how many


@dataclass(frozen=True)
class PlanRow:
    """What the records keep of a plan; `reasons` are plain mappings, as shown."""

    id: str
    dog_id: str
    issue_id: str
    therapy: str
    state: str
    signed_by: str | None
    made_at: datetime
    uncovered_weeks: tuple[date, ...]
    reasons: tuple[dict[str, Any], ...]
    doses: tuple[date, ...]


def add_plans(records: Records, plans: Iterable[PlanRow]) -> None:
    """Record plans with their doses, all of them or none."""
    rows, doses = [], []
    for plan in plans:
        values = {key: value for key, value in vars(plan).items() if key != "doses"}
        values["uncovered_weeks"] = [week.isoformat() for week in plan.uncovered_weeks]
        values["reasons"] = list(plan.reasons)
        rows.append(values)
        doses += [
            {"plan_id": plan.id, "number": number, "date": day}
            for number, day in enumerate(plan.doses, start=1)
        ]
    with records.writing() as connection:
        if rows:
            connection.execute(tables.dose_plan.insert(), rows)
        if doses:
            connection.execute(tables.dose.insert(), doses)


def plans(
    records: Records, *, dog_id: str | None = None, issue_id: str | None = None
) -> list[PlanRow]:
    """Return plans, oldest first, of one dog or one issue if asked so."""
    table = tables.dose_plan
    query = select(table).order_by(table.c.made_at, table.c.id)
    if dog_id is not None:
        query = query.where(table.c.dog_id == dog_id)
    if issue_id is not None:
        query = query.where(table.c.issue_id == issue_id)
    doses: dict[str, list[date]] = {}
    with records.reading() as connection:
        found = connection.execute(query).all()
        dated = select(tables.dose).order_by(tables.dose.c.plan_id, tables.dose.c.number)
        wanted = dated.where(
            tables.dose.c.plan_id.in_(query.order_by(None).with_only_columns(table.c.id))
        )
        for row in connection.execute(wanted):
            doses.setdefault(row.plan_id, []).append(row.date)
    return [_plan(dict(row._mapping), doses.get(row.id, [])) for row in found]


def newest_plan(records: Records, *, dog_id: str, therapy: str) -> PlanRow | None:
    """Return the newest plan of one dog and therapy; None where there is none."""
    return newest_plans(records, therapy=therapy, dog_id=dog_id).get(dog_id)


def newest_plans(
    records: Records, *, therapy: str, dog_id: str | None = None
) -> dict[str, PlanRow]:
    """Return by dog its newest plan of one therapy, of one dog if asked so."""
    table, dose = tables.dose_plan, tables.dose
    wanted = [table.c.therapy == therapy]
    if dog_id is not None:
        wanted.append(table.c.dog_id == dog_id)
    newest = (
        select(table.c.dog_id, func.max(table.c.made_at).label("made_at"))
        .where(*wanted)
        .group_by(table.c.dog_id)
        .subquery()
    )
    same = and_(newest.c.dog_id == table.c.dog_id, newest.c.made_at == table.c.made_at)
    query = select(table).join(newest, same).where(*wanted).order_by(table.c.id)
    ids = query.order_by(None).with_only_columns(table.c.id)
    dated = select(dose).where(dose.c.plan_id.in_(ids)).order_by(dose.c.plan_id, dose.c.number)
    doses: dict[str, list[date]] = {}
    with records.reading() as connection:
        found = connection.execute(query).all()
        for row in connection.execute(dated):
            doses.setdefault(row.plan_id, []).append(row.date)
    return {row.dog_id: _plan(dict(row._mapping), doses.get(row.id, [])) for row in found}


def plan_within(connection: Connection, plan_id: str) -> PlanRow | None:
    """Return one plan, within a transaction of the caller's; None where there is none."""
    table, dose = tables.dose_plan, tables.dose
    row = connection.execute(select(table).where(table.c.id == plan_id)).one_or_none()
    if row is None:
        return None
    dated = select(dose.c.date).where(dose.c.plan_id == plan_id).order_by(dose.c.number)
    return _plan(dict(row._mapping), list(connection.scalars(dated)))


def plans_of(records: Records, plan_ids: Iterable[str]) -> dict[str, PlanRow]:
    """Return plans by id, those that there are."""
    table, dose, wanted = tables.dose_plan, tables.dose, sorted(plan_ids)
    found: list[dict[str, Any]] = []
    doses: dict[str, list[date]] = {}
    with records.reading() as connection:
        for start in range(0, len(wanted), _AT_ONCE):
            some = wanted[start : start + _AT_ONCE]
            rows = connection.execute(select(table).where(table.c.id.in_(some)))
            found += [dict(row._mapping) for row in rows]
            dated = select(dose).where(dose.c.plan_id.in_(some))
            for row in connection.execute(dated.order_by(dose.c.plan_id, dose.c.number)):
                doses.setdefault(row.plan_id, []).append(row.date)
    return {row["id"]: _plan(row, doses.get(row["id"], [])) for row in found}


def _plan(values: dict[str, Any], doses: list[date]) -> PlanRow:
    values["uncovered_weeks"] = tuple(date.fromisoformat(day) for day in values["uncovered_weeks"])
    values["reasons"] = tuple(values["reasons"])
    return PlanRow(**values, doses=tuple(doses))


def cited_issues(records: Records) -> set[str]:
    """Return the ids of the issues that a plan still rests on.

    A plan that a vet has signed does for ever. Of proposals nobody has signed, the newest of each
    dog and therapy does: a practice that has every dog planned anew with each issue would keep them
    all otherwise.
    """
    plan = tables.dose_plan
    newest = (
        select(plan.c.dog_id, plan.c.therapy, func.max(plan.c.made_at).label("made_at"))
        .group_by(plan.c.dog_id, plan.c.therapy)
        .subquery()
    )
    is_newest = and_(
        newest.c.dog_id == plan.c.dog_id,
        newest.c.therapy == plan.c.therapy,
        newest.c.made_at == plan.c.made_at,
    )
    query = (
        select(plan.c.issue_id)
        .join(newest, is_newest, isouter=True)
        .where(or_(plan.c.signed_by.is_not(None), newest.c.dog_id.is_not(None)))
        .distinct()
    )
    with records.reading() as connection:
        return set(connection.scalars(query))


def plan_of(records: Records, plan_id: str) -> PlanRow:
    """Return one plan by its id.

    Raises
    ------
    RecordsError
        If there is none of that id.
    """
    with records.reading() as connection:
        found = plan_within(connection, plan_id)
    if found is None:
        raise RecordsError(f"plan {plan_id!r} was asked for; there is no such plan")
    return found
