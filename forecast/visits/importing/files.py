"""Importing what a practice exports: a function a file, each idempotent on the file's content."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from sqlalchemy import Connection

from forecast.csv_files import CsvTable
from forecast.homes import HomeFinder
from forecast.practice import Practice
from forecast.records import Records
from forecast.records import branches as branch_records
from forecast.records.erased import ErasedList, read_erased
from forecast.records.imports import Row
from forecast.regions import Branch, parse_opening, regions
from forecast.sheets import Progress
from forecast.visits.importing import reading, register
from forecast.visits.importing.landing import (
    YES_NO,
    ImportReport,
    IncomingFile,
    days_of,
    event_rows,
    keep_register,
    land_events,
)
from forecast.visits.importing.visit_landing import land_again, land_visits


def import_visits(
    practice: Practice,
    records: Records,
    path: Path | str,
    *,
    layout: str | None = None,
    progress: Progress | None = None,
) -> ImportReport:
    """Import visits: a file of our own format, or an export through a layout of the practice.

    A dog or owner that the records do not hold yet is added with nothing known but its number.
    Visits of an export are judged by the case definition in force, and homes are told from
    postcodes. A file that differs too much from the past is held: the report says why.

    Parameters
    ----------
    layout
        Name of the layout to read it through, where several fit.
    progress
        Is told the share done, from 0 to 1.
    """
    return land_visits(practice, records, path, layout=layout, progress=progress)


def import_again(
    practice: Practice,
    records: Records,
    import_id: int,
    *,
    layout: str | None = None,
    accept: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Read the archived raw file of an import of visits anew, through the layout as it is now.

    One flip puts the new reading in the place of the old, as if the file had been read so on the
    day it came; until then nothing changes. A reading that would be held is refused where the old
    one counts, unless it is to be accepted as it is. Visits of dogs that were erased are handed on
    as they were.

    Raises
    ------
    RecordsError, VisitError
        If it is no import of visits that counts or is held, its raw file is gone, or the new
        reading would be held.
    """
    return land_again(practice, records, import_id, layout=layout, accept=accept, progress=progress)


def import_branches(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import branches: new ones are added, known ones brought up to date, none removed."""
    regions = [region.id for region in practice.settings.region]

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_branches(file.content, file.name, regions=regions)

    def keep(connection: Connection, table: CsvTable) -> None:
        found = [
            Branch(row["id"], row["name"], row["region"], *parse_opening(row["open_days"]))
            for row in table.rows.to_dict("records")
        ]
        branch_records.keep_branches(connection, found)

    return keep_register(practice, records, path, "branches", read=read, keep=keep)


def import_closures(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import the days on which a branch was closed out of the ordinary, or its diary full."""
    known = branch_records.branches(records)

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_closures(file.content, file.name, branches=known)

    def rows(table: CsvTable) -> list[Row]:
        kept = table.rows
        return event_rows(
            branch_id=kept["branch"].tolist(),
            date=days_of(kept["date"]),
            reason=kept["reason"].tolist(),
            full=[YES_NO[word] for word in kept["full"].tolist()],
        )

    return land_events(practice, records, path, "closures", read=read, rows=rows, names_dogs=False)


def import_dogs(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import dogs and owners: new ones are added, known ones updated; an empty cell changes none.

    Home and status hold from the day the file gives. Where it gives none, what is said of a dog for
    the first time holds from the beginning, and what is said otherwise later from the day of the
    import on. Dogs and owners that were erased are left out.

    The raw file is not archived: it holds names, and an owner's erasure must reach them all.
    """
    places = regions(practice)
    branches = branch_records.branches(records)
    finder, erased = HomeFinder(places.values(), practice.folder), read_erased(practice)

    def read(file: IncomingFile) -> CsvTable:
        table = reading.read_dogs(
            file.content,
            file.name,
            regions=list(places),
            branches=branches,
            today=practice.today,
        )
        _leave_out_erased(table, erased)
        return table

    def keep(connection: Connection, table: CsvTable) -> None:
        rows = [{str(k): v for k, v in row.items()} for row in table.rows.to_dict("records")]
        register.keep_rows(connection, rows, finder=finder, today=practice.today)

    return keep_register(practice, records, path, "dogs", read=read, keep=keep, archived=False)


def _leave_out_erased(table: CsvTable, erased: ErasedList) -> None:
    if not erased:
        return
    rows = table.rows
    told = [{str(name): cell for name, cell in row.items()} for row in rows.to_dict("records")]
    gone = np.array(
        [
            erased.dog_id(row["dog"]) is not None or erased.holds_owner(register.owner_key(row))
            for row in told
        ],
        dtype=bool,
    )
    if gone.any():
        table.rows = rows[~gone]
        table.note("owner erased", f"{int(gone.sum())} rows were left out")
