"""Bringing a file of the desk into the records: once, whole or not at all, nothing overwritten."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd
from sqlalchemy import Connection

from forecast.csv_files import CsvTable
from forecast.findings import Finding
from forecast.practice import Practice
from forecast.records import Records
from forecast.records import branches as branch_records
from forecast.records import desk as desk_records
from forecast.records import staff as staff_records
from forecast.records.erased import ErasedList, read_erased
from forecast.records.staff import BY_FILE, Recorded
from forecast.records.worked_shifts import keep_worked_shifts
from forecast.sheets import SheetError
from forecast.staffing.desk_file import read_desk
from forecast.staffing.desk_inputs import stock_items
from forecast.staffing.desk_numbers import KINDS, StaffingError, price_names
from forecast.staffing.desk_table import TABLES, DeskTable, DeskWords
from forecast.visits.importing.landing import ImportReport, IncomingFile, keep_register

STAFF = "staff"


def import_staff(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import a file of the desk: staff, leave, hours, prices, stock, shifts; see `read_desk`.

    The leave of a person who is named in a table of leave becomes what the table says, from today
    on; of all others it stays. Nobody is removed: a contract ends by its `until`. Those who were
    erased are left out. Shifts of whoever is on no staff list are kept without a person.

    The raw file is not archived: it holds names, and an erasure must reach them all.
    """
    words = desk_words(practice, records)
    erased = read_erased(practice)

    def read(file: IncomingFile) -> CsvTable:
        table = read_desk(file.content, file.name, words=words, today=practice.today)
        _leave_out_erased(table, erased)
        return table

    def keep(connection: Connection, table: CsvTable) -> None:
        assert isinstance(table, DeskTable)
        _keep(connection, table, practice, Recorded(practice.now, BY_FILE))

    return keep_register(practice, records, path, STAFF, read=read, keep=keep, archived=False)


def desk_words(practice: Practice, records: Records) -> DeskWords:
    """Return what a file of the desk may name in this practice."""
    held = branch_records.branches(records)
    said = {one.branch_id for one in desk_records.hours_on_record(records)}
    return DeskWords(
        branches=tuple(held),
        kinds=KINDS,
        prices=price_names(),
        items=stock_items(),
        people=tuple(one.reference for one in staff_records.staff_identities(records)),
        open_branches={*said, *(branch.id for branch in held.values() if branch.hours)},
        currency=practice.settings.practice.currency or "",
        terms=staff_records.terms_by_number(records),
    )


def enter_row(
    practice: Practice, records: Records, table: str, fields: Mapping[str, str], *, by: str
) -> str:
    """Keep one row of one of the desk's tables, as a person typed it; return a remark, or "".

    Leave is added to what the person has ahead. Checks are those of a file.

    Parameters
    ----------
    by
        The random id of the account.

    Raises
    ------
    StaffingError
        If the row cannot be kept; the sentence says why.
    """
    required, optional = TABLES[table]
    columns = [*required, *optional]
    typed = [[fields.get(column, "").strip() for column in columns]]
    if table == "leave":
        typed += _leave_ahead(practice, records, fields.get("person", "").strip())
    out = io.StringIO()
    csv.writer(out).writerows([columns, *typed])
    try:
        desk = read_desk(
            out.getvalue().encode(),
            "form",
            words=desk_words(practice, records),
            today=practice.today,
        )
    except SheetError as refused:
        raise StaffingError(str(refused)) from refused
    _leave_out_erased(desk, read_erased(practice))
    told = [one for one in desk.findings if one.severity != "note"]
    wrong = [one for one in told if one.severity == "error"]
    if wrong or desk.rows.empty:
        raise StaffingError(_of_form(wrong[0]) if wrong else "whoever had that number was erased")
    with records.writing() as connection:
        _keep(connection, desk, practice, Recorded(practice.now, by))
    return "; ".join(_of_form(one) for one in told)


def _of_form(one: Finding) -> str:
    """Say a finding of a form: the field in place of file and row."""
    tail = f"; {one.fix}" if one.fix else ""
    allowed = f"; allowed: {one.allowed}" if one.allowed else ""
    field = f"{one.column.replace('_', ' ')}: " if one.column else ""
    return f"{field}{one.check}: {one.found}{allowed}{tail}"


def _leave_ahead(practice: Practice, records: Records, person: str) -> list[list[str]]:
    held = {
        one.reference: one for one in staff_records.staff_on_record(records, day=practice.today)
    }
    if person not in held:
        return []
    return [[person, str(span.first), str(span.last)] for span in held[person].leave]


def _leave_out_erased(desk: DeskTable, erased: ErasedList) -> None:
    gone = [number for number in {*desk.terms, *desk.leave} if erased.holds_staff(number)]
    if not gone:
        return
    for told in (desk.names, desk.terms, desk.leave):
        for number in gone:
            told.pop(number, None)
    rows = desk.rows
    theirs = rows.get("person", pd.Series("", index=rows.index)).isin(gone)
    desk.rows = rows.loc[~theirs.to_numpy()]
    desk.note(
        "member of staff erased",
        f"{int(theirs.sum())} rows were left out",
        "whoever has that number now needs another one",
    )


def _keep(connection: Connection, desk: DeskTable, practice: Practice, recorded: Recorded) -> None:
    ids = staff_records.keep_staff(connection, desk.names, recorded)
    for person, told in desk.terms.items():
        for terms in sorted(told, key=lambda one: one.from_date):
            staff_records.keep_terms(connection, ids[person], terms, recorded)
    everybody = staff_records.staff_ids(connection)
    for person, spans in desk.leave.items():
        staff_records.keep_leave(
            connection, everybody[person], spans, today=practice.today, recorded=recorded
        )
    desk_records.keep_hours(connection, desk.hours, recorded)
    desk_records.keep_numbers(connection, desk.numbers, recorded)
    desk_records.keep_stock(connection, desk.stock, recorded)
    shifts = [replace(one, person=everybody.get(one.person or "")) for one in desk.shifts]
    keep_worked_shifts(connection, shifts, recorded)
