"""The desk's own file: its small tables in one workbook, or one of them as CSV.

A bad row is reported in one line and left out, the rest is kept. Leave that overlaps is taken as
one span, since what matters is who is away; it is said all the same. What is lacking is not known.
"""

from __future__ import annotations

from datetime import date

import pandas as pd

from forecast.csv_files import CsvTable, csv_table
from forecast.findings import Finding
from forecast.sheets import SheetError, read_sheet
from forecast.sheets.workbook import is_workbook, sheet_names
from forecast.staffing.desk_readers import READERS, read_leave
from forecast.staffing.desk_table import OPENING_LIKE, TABLES, DeskTable, DeskWords


def read_desk(content: bytes, file: str, *, words: DeskWords, today: date) -> DeskTable:
    """Read a file of the desk.

    Raises
    ------
    SheetError
        If it holds none of the desk's tables.
    """
    found = _tables(content, file)
    desk = DeskTable(file, pd.DataFrame())
    kept = []
    for name, table in found.items():
        if name == "leave":
            read_leave(table, desk, known={*words.people, *desk.terms}, today=today)
        else:
            READERS[name](table, desk, words, today)
        desk.findings += table.findings
        desk.n_read += table.n_read
        kept.append(table.rows)
    desk.rows = pd.concat(kept)
    desk.findings += _without_hours(desk, words)
    return desk


# ------------------------------------------------------------------------------ which tables
def _tables(content: bytes, file: str) -> dict[str, CsvTable]:
    """Return the tables that a file holds by name, people before their leave."""
    packed = is_workbook(content)
    found, used = dict[str, CsvTable](), set[str]()
    for name, (required, optional) in TABLES.items():
        sheet = read_sheet(content, file, expected=[required])
        if not set(required) <= {heading.lower() for heading in sheet.headings}:
            continue
        used.add(sheet.sheet)
        sheet.file = f"{file} [{sheet.sheet}]" if packed else file
        for finding in [one for one in sheet.findings if one.check == "sheets not read"]:
            sheet.findings.remove(finding)
        sheet.findings = [_placed(one, sheet.file) for one in sheet.findings]
        if sheet.n_read:
            found[name] = csv_table(sheet, required=required, optional=optional)
    if not found:
        raise SheetError(f"{file} holds none of the desk's tables; {_what_tables_are()}")
    unread = [one for one in sheet_names(content, file) if one not in used] if packed else []
    if unread:
        first = next(iter(found.values()))
        first.findings += [_unread(file, name) for name in unread]
    return found


def _placed(one: Finding, file: str) -> Finding:
    return Finding(
        one.check, one.severity, file, one.row, one.column, one.found, one.allowed, one.fix
    )


def _unread(file: str, name: str) -> Finding:
    """Say that a sheet was not read: an error where its name promises a table."""
    required = TABLES.get(name.strip().lower(), ((), ()))[0]
    return Finding(
        "sheet not read",
        "error" if required else "note",
        file,
        None,
        None,
        repr(name),
        f"the headings {', '.join(required)}" if required else "",
        "name its columns so" if required else "",
    )


def _what_tables_are() -> str:
    told = [f"{name} ({', '.join(required)})" for name, (required, _) in TABLES.items()]
    return f"they are {'; '.join(told)}: one a sheet of a workbook, or one of them as CSV"


def _without_hours(desk: DeskTable, words: DeskWords) -> list[Finding]:
    """Say which branches have staff and no hours, in this file or on record."""
    staffed = {terms.branch_id for told in desk.terms.values() for terms in told}
    known = {*words.open_branches, *(one.branch_id for one in desk.hours)}
    return [
        Finding(
            "branch without hours",
            "warning",
            desk.file,
            None,
            "branch",
            repr(branch),
            f"days with their hours, such as {OPENING_LIKE}",
            "add it to the table hours; until then its staff cannot be planned",
        )
        for branch in sorted(staffed - known - desk.unclear)
    ]
