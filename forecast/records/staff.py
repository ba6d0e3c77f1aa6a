"""Who works in the practice: identity, terms from a day on, leave; read, kept and taken away.

Terms and leave are never overwritten. Of terms that hold from the same day those that came last
count; leave that is no longer meant is marked as withdrawn and stays.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id

BY_FILE, BY_COMMAND = "a file", "command line"


@dataclass(frozen=True)
class Recorded:
    """When something was recorded, and by whom: the random id of an account, or a word."""

    at: datetime
    by: str


@dataclass(frozen=True)
class Terms:
    """What somebody's contract says from a day on.

    Attributes
    ----------
    until
        The last day; None where no end is known.
    skills
        vet, technician, desk: one or more.
    also_at
        Branches besides their own at which they can work.
    hours_week
        Hours a week by contract.
    overtime_hours
        Hours a week over it that they would take on at most; None: as the house has it.
    days
        Days of the week on which they work, Monday 0; None: any.
    shift_hours
        Length of one of their shifts; None: as the house has it.
    """

    from_date: date
    skills: tuple[str, ...]
    branch_id: str
    hours_week: float
    also_at: tuple[str, ...] = ()
    overtime_hours: float | None = None
    until: date | None = None
    days: tuple[int, ...] | None = None
    shift_hours: float | None = None


@dataclass(frozen=True)
class Leave:
    """Days on which somebody does not work, the first and the last included; without a reason."""

    first: date
    last: date
    id: int = 0


@dataclass(frozen=True)
class StaffOnRecord:
    """A member of staff as of a day: who it is, the terms in force and coming, and leave.

    `reference` and `name` are empty where they were erased. They stay out of `repr`.
    """

    id: str
    reference: str = field(repr=False)
    name: str = field(repr=False)
    terms: tuple[Terms, ...]
    leave: tuple[Leave, ...]

    @property
    def shown(self) -> str:
        """What a page calls them."""
        return self.name or self.reference or "erased"


# ------------------------------------------------------------------------------ reading
def staff_on_record(records: Records, *, day: date) -> list[StaffOnRecord]:
    """Return everybody whose terms hold on a day or later, by number; with leave from then on."""
    who, terms, leave = tables.staff_identity, tables.staff_terms, tables.staff_leave
    with records.reading() as connection:
        named = {row.staff_id: row for row in connection.execute(select(who))}
        told: dict[str, list[Terms]] = {}
        for row in connection.execute(select(terms).order_by(terms.c.from_date, terms.c.id)):
            told.setdefault(row.staff_id, []).append(_terms(row))
        away: dict[str, list[Leave]] = {}
        coming = select(leave).where(leave.c.withdrawn_at.is_(None), leave.c.last >= day)
        for row in connection.execute(coming.order_by(leave.c.first, leave.c.id)):
            away.setdefault(row.staff_id, []).append(Leave(row.first, row.last, row.id))
    found = [
        StaffOnRecord(
            staff_id,
            named[staff_id].reference if staff_id in named else "",
            (named[staff_id].name or "") if staff_id in named else "",
            holding,
            tuple(away.get(staff_id, ())),
        )
        for staff_id, every in told.items()
        if (holding := _from_day_on(every, day))
    ]
    return sorted(found, key=lambda one: (one.reference, one.id))


def _terms(row: Any) -> Terms:
    return Terms(
        row.from_date,
        tuple(row.skills),
        row.branch_id,
        row.hours_week,
        tuple(row.also_at),
        row.overtime_hours,
        row.until,
        None if row.days is None else tuple(row.days),
        row.shift_hours,
    )


def _from_day_on(every: Sequence[Terms], day: date) -> tuple[Terms, ...]:
    """Return the terms in force on a day and those that follow; the last of a day counts."""
    latest = {one.from_date: one for one in every}
    begun = [when for when in latest if when <= day]
    in_force = [latest[max(begun)]] if begun else []
    coming = [latest[when] for when in sorted(latest) if when > day]
    return tuple(one for one in (*in_force, *coming) if one.until is None or one.until >= day)


def terms_by_number(records: Records) -> dict[str, list[Terms]]:
    """Return all terms of everybody who is named, past ones too, by the practice's own number."""
    who, terms = tables.staff_identity, tables.staff_terms
    query = select(who.c.reference, terms).join(who, who.c.staff_id == terms.c.staff_id)
    found: dict[str, list[Terms]] = {}
    with records.reading() as connection:
        for row in connection.execute(query.order_by(terms.c.from_date, terms.c.id)):
            found.setdefault(row.reference, []).append(_terms(row))
    return found


def staff_ids(connection: Connection) -> dict[str, str]:
    """Return the random id of each member of staff by the practice's own number."""
    table = tables.staff_identity
    return {row.reference: row.staff_id for row in connection.execute(select(table))}


# ------------------------------------------------------------------------------ keeping
def keep_staff(
    connection: Connection, named: Mapping[str, str], recorded: Recorded
) -> dict[str, str]:
    """Add members of staff by number, or bring their names up to date; return ids by number."""
    table, known = tables.staff_identity, staff_ids(connection)
    for reference, name in named.items():
        if reference not in known:
            known[reference] = new_id()
            made = {"id": known[reference], "made_at": recorded.at}
            connection.execute(insert(tables.staff_member), made)
            identity = {"staff_id": known[reference], "reference": reference, "name": name or None}
            connection.execute(insert(table), identity)
        elif name:
            own = update(table).where(table.c.staff_id == known[reference])
            connection.execute(own.values(name=name))
    return {reference: known[reference] for reference in named}


def keep_terms(connection: Connection, staff_id: str, terms: Terms, recorded: Recorded) -> bool:
    """Add terms; False where just these hold already from that day on."""
    table = tables.staff_terms
    own = select(table).where(table.c.staff_id == staff_id, table.c.from_date <= terms.from_date)
    last = connection.execute(own.order_by(table.c.from_date.desc(), table.c.id.desc())).first()
    if last is not None and _same_but_begin(_terms(last), terms):
        return False
    values = {
        "staff_id": staff_id,
        "from_date": terms.from_date,
        "until": terms.until,
        "skills": list(terms.skills),
        "branch_id": terms.branch_id,
        "also_at": list(terms.also_at),
        "hours_week": terms.hours_week,
        "overtime_hours": terms.overtime_hours,
        "days": None if terms.days is None else list(terms.days),
        "shift_hours": terms.shift_hours,
    }
    connection.execute(insert(table), values | _recorded(recorded))
    return True


def _same_but_begin(one: Terms, other: Terms) -> bool:
    ignored = {"from_date"}
    return all(getattr(one, n) == getattr(other, n) for n in vars(one) if n not in ignored)


def keep_leave(
    connection: Connection,
    staff_id: str,
    spans: Iterable[tuple[date, date]],
    *,
    today: date,
    recorded: Recorded,
) -> tuple[int, int]:
    """Make somebody's leave that is not over what is given; return how many came and went.

    Leave that ended before today stays as it is.
    """
    wanted = {span for span in spans if span[1] >= today}
    table = tables.staff_leave
    own = select(table).where(
        table.c.staff_id == staff_id, table.c.withdrawn_at.is_(None), table.c.last >= today
    )
    held = {(row.first, row.last): row.id for row in connection.execute(own)}
    gone = [held[span] for span in held.keys() - wanted]
    for leave_id in gone:
        withdraw_leave(connection, leave_id, recorded)
    new = sorted(wanted - held.keys())
    for first, last in new:
        add_leave(connection, staff_id, Leave(first, last), recorded)
    return len(new), len(gone)


def add_leave(connection: Connection, staff_id: str, leave: Leave, recorded: Recorded) -> None:
    """Add days of leave."""
    values = {"staff_id": staff_id, "first": leave.first, "last": leave.last}
    connection.execute(insert(tables.staff_leave), values | _recorded(recorded))


def withdraw_leave(connection: Connection, leave_id: int, recorded: Recorded) -> None:
    """Mark leave as no longer meant."""
    table = tables.staff_leave
    still_meant = update(table).where(table.c.id == leave_id, table.c.withdrawn_at.is_(None))
    if connection.execute(still_meant.values(withdrawn_at=recorded.at)).rowcount != 1:
        raise RecordsError(
            f"leave {leave_id} was to be withdrawn; there is none, or it was withdrawn before: "
            "open the page again"
        )


def _recorded(recorded: Recorded) -> dict[str, Any]:
    return {"recorded_at": recorded.at, "recorded_by": recorded.by}


# ------------------------------------------------------------------------------ privacy
@dataclass(frozen=True)
class StaffIdentity:
    """Who a member of staff is. Kept out of `repr`."""

    staff_id: str
    reference: str = field(repr=False)
    name: str = field(repr=False)


def staff_member(records: Records, number: str) -> StaffIdentity:
    """Return a member of staff by the practice's own number.

    Raises
    ------
    RecordsError
        If nobody on record has that number.
    """
    found = {one.reference: one for one in staff_identities(records)}
    if number not in found:
        near = difflib.get_close_matches(number, list(found), n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise RecordsError(
            f"the member of staff {number!r} was asked for, who is not on record{hint}; staff are "
            "asked for by the practice's own number"
        )
    return found[number]


def staff_identities(records: Records) -> list[StaffIdentity]:
    """Return everybody who is named."""
    with records.reading() as connection:
        rows = connection.execute(select(tables.staff_identity)).all()
    return [StaffIdentity(row.staff_id, row.reference, row.name or "") for row in rows]


def erase_staff_member(records: Records, one: StaffIdentity, *, erasure: str, at: datetime) -> None:
    """Take away who a member of staff is; terms, leave and shifts stay under the random id."""
    identity = tables.staff_identity
    with records.writing() as connection:
        connection.execute(delete(identity).where(identity.c.staff_id == one.staff_id))
        there = select(tables.erasure.c.id).where(tables.erasure.c.id == erasure)
        if connection.scalar(there) is None:
            connection.execute(insert(tables.erasure), {"id": erasure, "at": at, "dogs": 0})


def staff_holdings(records: Records, one: StaffIdentity) -> dict[str, Any]:
    """Return all rows on a member of staff, as plain values, by what they are."""
    held = {
        "identity": tables.staff_identity,
        "terms": tables.staff_terms,
        "leave": tables.staff_leave,
        "shifts worked": tables.staff_shift,
    }
    with records.reading() as connection:
        found = {
            name: [
                json.loads(json.dumps(dict(row._mapping), default=str))
                for row in connection.execute(select(table).where(table.c.staff_id == one.staff_id))
            ]
            for name, table in held.items()
        }
        found["shifts"] = _shifts(connection, one.staff_id)
    return found


def _shifts(connection: Connection, staff_id: str) -> list[dict[str, Any]]:
    """Return somebody's shifts in the plans that are kept, also those told before a plan."""
    table = tables.staff_plan
    plans = connection.execute(select(table.c.id, table.c.content).order_by(table.c.made_at)).all()
    found = []
    for row in plans:
        content = json.loads(row.content)
        shifts = [*content.get("roster", {}).get("shifts", ())]
        shifts += [one["shift"] for one in content.get("gone", ())]
        found += [{"plan": row.id, **one} for one in shifts if one["person"] == staff_id]
    return found


def gone_before(records: Records, *, day: date) -> list[StaffIdentity]:
    """Return those named whose terms had all ended before a day."""
    table = tables.staff_terms
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.from_date, table.c.id)).all()
    last = {row.staff_id: row.until for row in rows}  # of each the terms that count in the end
    ended = {staff_id for staff_id, until in last.items() if until is not None and until < day}
    return [one for one in staff_identities(records) if one.staff_id in ended]
