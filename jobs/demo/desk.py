"""The invented practice's desk: staff, leave, hours and stock, as the workbook a manager keeps.

Nothing is drawn: who works where is chosen, so that one branch is short of a vet and it is known
which. It takes no part in the invention of dogs and visits.
"""

from __future__ import annotations

from datetime import date, timedelta
from itertools import islice
from pathlib import Path

import pandas as pd
import xlsxwriter

from jobs.demo.places import TABLE, listed

DESK_FILE = "staff.xlsx"
_ROLES = ("vet", "technician", "desk")
_COLUMNS = {
    "staff": ("person", "name", "skills", "branch", "hours_a_week", "overtime_hours", "from"),
    "leave": ("person", "first", "last"),
    "hours": ("branch", "opening", "from"),
    "stock": ("item", "branch", "on_hand", "counted", "pack_size", "lead_days", "expires"),
}
Row = tuple[str | float, ...]


def invent_desk(branches: pd.DataFrame, *, as_of: date) -> dict[str, list[Row]]:
    """Return the tables of the desk: staff, leave, hours and stock, as rows of `_COLUMNS`.

    `branches` has a row each with its id, in the practice's order.
    """
    ids = [str(one) for one in branches["id"]]
    began = str(TABLE["practice.start"].value)
    names = iter(listed("desk.names"))
    staff: list[Row] = []
    for role in _ROLES:
        for branch, told in zip(ids, listed(f"desk.{role}_hours"), strict=True):
            for hours, name in zip(told.split(), islice(names, len(told.split())), strict=True):
                number = f"S{len(staff) + 1:02d}"
                overtime = TABLE.number("desk.overtime_hours")
                staff.append((number, str(name), role, branch, float(hours), overtime, began))
    return {
        "staff": staff,
        "leave": _leave(staff, ids, as_of),
        "hours": [
            (branch, opening, began)
            for branch, opening in zip(ids, listed("desk.opening"), strict=True)
        ],
        "stock": _stock(ids, as_of),
    }


def _leave(staff: list[Row], ids: list[str], as_of: date) -> list[Row]:
    """Return the leave of the first vet of each branch."""
    length = timedelta(days=int(TABLE.number("desk.leave_days")) - 1)
    first_vet = {row[3]: row[0] for row in reversed(staff) if row[2] == "vet"}
    rows: list[Row] = []
    for branch, after in zip(ids, listed("desk.leave_after"), strict=True):
        day = as_of + timedelta(days=int(after))
        first = day - timedelta(days=day.weekday())
        rows.append((first_vet[branch], str(first), str(first + length)))
    return rows


def _stock(ids: list[str], as_of: date) -> list[Row]:
    columns = ("items", "on_hand", "pack_size", "lead_days", "keeps_days")
    told = zip(*(listed(f"desk.stock.{name}") for name in columns), strict=True)
    return [
        (
            *(item, branch, float(on_hand), str(as_of), float(pack), float(lead)),
            str(as_of + timedelta(days=int(keeps))),
        )
        for item, on_hand, pack, lead, keeps in told
        for branch in ids
    ]


def write_desk(branches: pd.DataFrame, folder: Path, *, as_of: date) -> Path:
    """Write the desk's workbook into a folder; return its path."""
    path = folder / DESK_FILE
    with xlsxwriter.Workbook(path) as book:
        for name, rows in invent_desk(branches, as_of=as_of).items():
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, _COLUMNS[name])
            for number, row in enumerate(rows, start=1):
                sheet.write_row(number, 0, row)
    return path
