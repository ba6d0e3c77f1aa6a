"""What the desk holds now as the workbook that can be edited and brought back."""

from __future__ import annotations

import io
from collections.abc import Collection, Sequence
from datetime import date

import xlsxwriter

from forecast.records import Records
from forecast.records.branches import branches
from forecast.records.desk import (
    MINUTES,
    PRICE,
    hours_on_record,
    numbers_on,
    stock_on_record,
)
from forecast.records.staff import StaffOnRecord, Terms, staff_on_record
from forecast.regions import DAY_NAMES
from forecast.staffing.desk_numbers import default_minutes, default_prices, price_names
from forecast.staffing.desk_table import TABLES

_WIDTH = 16
_WIDE = {"opening": 44, "name": 24, "kind": 22, "price": 30, "item": 24, "skills": 22}
Row = Sequence[str | float | None]


def desk_tables(
    records: Records,
    *,
    today: date,
    wanted: Collection[str] | None = None,
    currency: str | None = None,
) -> dict[str, list[Row]]:
    """Return the rows of each of the desk's tables as they hold today, in the order of `TABLES`.

    Parameters
    ----------
    wanted
        Branches whose rows are given; None: all. Minutes and prices are given in any case; those
        that the desk does not say are empty, with the house's beside them.
    currency
        That of the practice, written beside each amount; None where it names none.
    """
    people = [
        one
        for one in staff_on_record(records, day=today)
        if one.reference and (wanted is None or one.terms[0].branch_id in wanted)
    ]
    return {
        "staff": [staff_row(one, terms) for one in people for terms in one.terms],
        "leave": [
            [one.reference, str(span.first), str(span.last)] for one in people for span in one.leave
        ],
        "hours": _hours(records, wanted),
        "minutes": _minutes(records, today),
        "prices": [[*row, currency] for row in _prices(records, today)],
        "stock": [
            [
                *(one.item, one.branch_id, one.on_hand, str(one.counted_on), one.pack_size),
                *(one.lead_days, _day(one.expires_on), one.pack_price, currency),
            ]
            for one in stock_on_record(records)
            if wanted is None or one.branch_id in wanted
        ],
    }


def desk_workbook(
    records: Records,
    *,
    today: date,
    wanted: Collection[str] | None = None,
    currency: str | None = None,
) -> bytes:
    """Return these tables as a workbook, a sheet each, that `read_desk` reads."""
    out = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(out, {"in_memory": True, **plain}) as book:
        heading = book.add_format({"bold": True, "bottom": 1})
        tables = desk_tables(records, today=today, wanted=wanted, currency=currency)
        for name, rows in tables.items():
            sheet = book.add_worksheet(name)
            columns = [*TABLES[name][0], *TABLES[name][1]]
            for at, column in enumerate(columns):
                sheet.write_string(0, at, column, heading)
                sheet.set_column(at, at, _WIDE.get(column, _WIDTH))
            for number, row in enumerate(rows, start=1):
                for at, cell in enumerate(row):
                    if isinstance(cell, str):
                        sheet.write_string(number, at, cell)
                    elif cell is not None:
                        sheet.write_number(number, at, cell)
            sheet.freeze_panes(1, 1)
    return out.getvalue()


def staff_row(one: StaffOnRecord, terms: Terms) -> Row:
    """Return somebody's terms as a row of the table of staff."""
    days = None if terms.days is None else " ".join(DAY_NAMES[day] for day in terms.days)
    return [
        *(one.reference, " ".join(terms.skills), terms.branch_id, terms.hours_week, one.name),
        *(" ".join(terms.also_at), terms.overtime_hours, days, terms.shift_hours),
        *(str(terms.from_date), _day(terms.until)),
    ]


def _hours(records: Records, wanted: Collection[str] | None) -> list[Row]:
    said = hours_on_record(records)
    named = {one.branch_id for one in said}
    rows: list[Row] = [
        [one.branch_id, one.opening, str(one.from_date)]
        for one in said
        if wanted is None or one.branch_id in wanted
    ]
    rows += [
        [branch.id, branch.opening if branch.hours else None, None]
        for branch in branches(records).values()
        if branch.id not in named and (wanted is None or branch.id in wanted)
    ]
    return rows


def _minutes(records: Records, today: date) -> list[Row]:
    """Return the desk's minutes; of a kind and role without any an empty row with the house's."""
    told = [one for one in numbers_on(records, day=today) if one.subject == MINUTES]
    rows: list[Row] = []
    for usual in default_minutes():
        own = [one for one in told if (one.item, one.role) == (usual.kind, usual.role)]
        rows += [
            [one.item, one.role, one.number, one.branch_id, str(one.from_date), usual.number]
            for one in own
        ]
        if not any(one.branch_id is None for one in own):
            rows.append([usual.kind, usual.role, None, None, None, usual.number])
    return rows


def _prices(records: Records, today: date) -> list[Row]:
    """Return every price: the desk's, or an empty row with the house's."""
    told = {one.item: one for one in numbers_on(records, day=today) if one.subject == PRICE}
    usual = default_prices()
    rows: list[Row] = []
    for name in price_names():
        group, _, key = name.partition(" ")
        held = getattr(usual, group)
        house = held[key] if key else held
        own = told.get(name)
        rows.append(
            [name, None, None, house]
            if own is None
            else [name, own.number, str(own.from_date), house]
        )
    return rows


def _day(day: date | None) -> str | None:
    return None if day is None else str(day)
