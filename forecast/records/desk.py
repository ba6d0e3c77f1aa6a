"""What the desk says of branches: hours from a day on, minutes and prices, counted stock.

Nothing is overwritten: of rows that hold from the same day the one that came last counts. What no
row tells is not known, and never taken as nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, insert, select

from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.staff import Recorded

MINUTES, PRICE = "minutes", "price"


@dataclass(frozen=True)
class DeskHours:
    """From which day on a branch opens how; `opening` as `regions.parse_opening` reads it."""

    branch_id: str
    from_date: date
    opening: str


@dataclass(frozen=True)
class DeskNumber:
    """A number that holds from a day on.

    Attributes
    ----------
    subject
        minutes (of `role` for a kind of visit, `item`) or price (of `item`).
    branch_id
        None: of every branch that has no number of its own.
    """

    subject: str
    item: str
    number: float
    from_date: date
    role: str | None = None
    branch_id: str | None = None


@dataclass(frozen=True)
class StockCount:
    """What of an item a branch had on a day, and how more of it comes.

    Attributes
    ----------
    on_hand
        In single units, such as doses.
    pack_size
        Units in a pack.
    lead_days
        Days from ordering to having.
    expires_on
        When the first of what is on hand expires; None where not known.
    pack_price
        Of a pack; None where not known.
    """

    branch_id: str
    item: str
    counted_on: date
    on_hand: float
    pack_size: float
    lead_days: float
    expires_on: date | None = None
    pack_price: float | None = None


def hours_on_record(records: Records) -> list[DeskHours]:
    """Return what is said of opening hours, by branch and day, the last of a day alone."""
    table = tables.branch_hours
    query = select(table).order_by(table.c.branch_id, table.c.from_date, table.c.id)
    with records.reading() as connection:
        rows = connection.execute(query).all()
    latest = {
        (row.branch_id, row.from_date): DeskHours(row.branch_id, row.from_date, row.opening)
        for row in rows
    }
    return list(latest.values())


def keep_hours(connection: Connection, found: Iterable[DeskHours], recorded: Recorded) -> int:
    """Add hours that are not those in force on their day already; return how many."""
    table, n_kept = tables.branch_hours, 0
    for one in found:
        before = select(table.c.opening).where(
            table.c.branch_id == one.branch_id, table.c.from_date <= one.from_date
        )
        newest = before.order_by(table.c.from_date.desc(), table.c.id.desc()).limit(1)
        if connection.scalar(newest) != one.opening:
            connection.execute(insert(table), vars(one) | _recorded(recorded))
            n_kept += 1
    return n_kept


def numbers_on(records: Records, *, day: date) -> list[DeskNumber]:
    """Return the minutes and prices in force on a day."""
    table = tables.desk_number
    query = select(table).where(table.c.from_date <= day).order_by(table.c.from_date, table.c.id)
    with records.reading() as connection:
        rows = connection.execute(query).all()
    latest = {(row.subject, row.item, row.role, row.branch_id): row for row in rows}
    return [
        DeskNumber(r.subject, r.item, r.number, r.from_date, r.role, r.branch_id)
        for r in latest.values()
    ]


def keep_numbers(connection: Connection, found: Iterable[DeskNumber], recorded: Recorded) -> int:
    """Add numbers that are not those in force on their day already; return how many."""
    table, n_kept = tables.desk_number, 0
    for one in found:
        alike = select(table.c.number).where(
            table.c.subject == one.subject,
            table.c.item == one.item,
            table.c.role.is_(None) if one.role is None else table.c.role == one.role,
            table.c.branch_id.is_(None)
            if one.branch_id is None
            else table.c.branch_id == one.branch_id,
            table.c.from_date <= one.from_date,
        )
        newest = alike.order_by(table.c.from_date.desc(), table.c.id.desc()).limit(1)
        if connection.scalar(newest) != one.number:
            connection.execute(insert(table), vars(one) | _recorded(recorded))
            n_kept += 1
    return n_kept


def stock_on_record(records: Records) -> list[StockCount]:
    """Return the newest count of each item at each branch, by branch and item."""
    table = tables.stock_count
    query = select(table).order_by(table.c.branch_id, table.c.item, table.c.counted_on, table.c.id)
    with records.reading() as connection:
        rows = connection.execute(query).all()
    latest = {(row.branch_id, row.item): _stock(row) for row in rows}
    return list(latest.values())


def keep_stock(connection: Connection, found: Iterable[StockCount], recorded: Recorded) -> int:
    """Add counts that are not held just so already; return how many."""
    table, n_kept = tables.stock_count, 0
    for one in found:
        same_day = select(table).where(
            table.c.branch_id == one.branch_id,
            table.c.item == one.item,
            table.c.counted_on == one.counted_on,
        )
        last = connection.execute(same_day.order_by(table.c.id.desc())).first()
        if last is None or _stock(last) != one:
            connection.execute(insert(table), vars(one) | _recorded(recorded))
            n_kept += 1
    return n_kept


def _stock(row: Any) -> StockCount:
    return StockCount(
        row.branch_id,
        row.item,
        row.counted_on,
        row.on_hand,
        row.pack_size,
        row.lead_days,
        row.expires_on,
        row.pack_price,
    )


def _recorded(recorded: Recorded) -> dict[str, Any]:
    return {"recorded_at": recorded.at, "recorded_by": recorded.by}
