"""Importing what is kept of patients: a function a kind of file, each idempotent on its content."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.csv_files import CsvTable
from forecast.practice import Practice
from forecast.records import Records
from forecast.records.erased import known_dogs
from forecast.records.imports import Row
from forecast.sheets import read_sheet
from forecast.toml_text import did_you_mean
from forecast.visits.exports.layout import (
    LayoutError,
    free_layout_file,
    load_layouts,
    save_layout,
)
from forecast.visits.exports.patient_layout import (
    FOLDER,
    HOLDS,
    is_our_own,
    load_patient_layouts,
)
from forecast.visits.exports.patient_layout_text import patient_layout_text
from forecast.visits.exports.patient_rows import OwnWords
from forecast.visits.importing import patient_reading as reading
from forecast.visits.importing.landing import (
    YES_NO,
    ImportReport,
    IncomingFile,
    days_of,
    event_rows,
    incoming,
    land_events,
)

_Therapies = Collection[str] | None


def import_therapies(
    practice: Practice, records: Records, path: Path | str, *, therapies: _Therapies = None
) -> ImportReport:
    """Import therapies of dogs on record; with `therapies`, other therapies are left out."""

    def rows(kept: pd.DataFrame) -> Mapping[str, Any]:
        return {
            "therapy": kept["therapy"].tolist(),
            "date": days_of(kept["date"]),
            "until": days_of(kept["until"]),
            "status": kept["status"].tolist(),
            "reason": kept["reason"].tolist(),
            "responded": _yes_no(kept["responded"]),
        }

    more = {"therapies": therapies}
    return _land(
        practice, records, path, "therapies", read=reading.read_therapies, rows=rows, more=more
    )


def import_scores(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import itch scores of dogs on record."""

    def rows(kept: pd.DataFrame) -> Mapping[str, Any]:
        return {
            "date": days_of(kept["date"]),
            "pvas": kept["pvas"].tolist(),
            "scorer": kept["scorer"].tolist(),
            "scale": kept["scale"].tolist(),
        }

    return _land(practice, records, path, "scores", read=reading.read_scores, rows=rows)


def import_facts(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import facts of dogs on record."""

    def rows(kept: pd.DataFrame) -> Mapping[str, Any]:
        return {
            "kind": kept["kind"].tolist(),
            "word": [None if pd.isna(word) else word for word in kept["word"].tolist()],
            "number": [None if pd.isna(number) else number for number in kept["number"].tolist()],
            "date": days_of(kept["date"]),
        }

    return _land(practice, records, path, "facts", read=reading.read_facts, rows=rows)


def import_reactions(
    practice: Practice, records: Records, path: Path | str, *, therapies: _Therapies = None
) -> ImportReport:
    """Import adverse reactions of dogs on record; with `therapies`, others are left out."""

    def rows(kept: pd.DataFrame) -> Mapping[str, Any]:
        return {
            "therapy": kept["therapy"].tolist(),
            "date": days_of(kept["date"]),
            "sign": _texts(kept["sign"]),
            "reported": _yes_no(kept["reported"]),
        }

    more = {"therapies": therapies}
    return _land(
        practice, records, path, "reactions", read=reading.read_reactions, rows=rows, more=more
    )


def import_vaccinations(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import vaccinations of dogs on record."""

    def rows(kept: pd.DataFrame) -> Mapping[str, Any]:
        return {
            "date": days_of(kept["date"]),
            "live": _yes_no(kept["live"]),
            "against": _texts(kept["against"]),
        }

    return _land(practice, records, path, "vaccinations", read=reading.read_vaccinations, rows=rows)


def import_medicines(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import other medicines of dogs on record, by kind."""

    def rows(kept: pd.DataFrame) -> Mapping[str, Any]:
        return {
            "kind": kept["kind"].tolist(),
            "date": days_of(kept["date"]),
            "until": days_of(kept["until"]),
        }

    return _land(practice, records, path, "medicines", read=reading.read_medicines, rows=rows)


def import_tests(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import allergy tests of dogs on record, a row an allergen."""

    def rows(kept: pd.DataFrame) -> Mapping[str, Any]:
        names = ("allergen", "result", "method")
        return {"date": days_of(kept["date"])} | {name: kept[name].tolist() for name in names}

    return _land(practice, records, path, "tests", read=reading.read_tests, rows=rows)


def _land(
    practice: Practice,
    records: Records,
    path: Path | str,
    subject: str,
    *,
    read: Callable[..., CsvTable],
    rows: Callable[[pd.DataFrame], Mapping[str, Any]],
    more: Mapping[str, Any] | None = None,
) -> ImportReport:
    ids = known_dogs(practice, records)
    own = own_words(practice)

    def read_file(file: IncomingFile) -> CsvTable:
        return read(
            file.content, file.name, dogs=ids, today=practice.today, own=own, **(more or {})
        )

    def rows_of(table: CsvTable) -> list[Row]:
        of_dogs = [ids[dog] for dog in table.rows["dog"].tolist()]
        return event_rows(dog_id=of_dogs, **rows(table.rows))

    layouts = [layout.as_layout for layout in own.layouts]
    return land_events(
        practice, records, path, subject, read=read_file, rows=rows_of, layouts=layouts
    )


def own_words(practice: Practice) -> OwnWords:
    """Return what a practice's layouts say of files of patients."""
    merged: dict[str, str] = {}
    for layout in load_layouts(practice.layouts_folder):
        merged |= layout.merged
    return OwnWords(load_patient_layouts(practice.layouts_folder), merged)


def propose_layout(practice: Practice, path: Path | str, holds: str) -> tuple[Path, int]:
    """Write a layout for a file of one of `HOLDS`, to be filled in; return it and its open words.

    Raises
    ------
    LayoutError, SheetError
        If there is no such kind, the file cannot be read, or is of our own format already.
    """
    if holds not in HOLDS:
        raise LayoutError(
            f"a layout for {holds!r} was asked for; there are {', '.join(HOLDS)}"
            + did_you_mean(holds, HOLDS)
        )
    file = incoming(holds, path)
    sheet = read_sheet(file.content, file.name, expected=[HOLDS[holds].required])
    if is_our_own(sheet.headings, holds):
        raise LayoutError(
            f"{file.name} has the columns of our own format and needs no layout; bring it in with "
            f"`forepaw import {holds}`"
        )
    text, n_words = patient_layout_text(sheet, holds)
    target = free_layout_file(practice.layouts_folder / FOLDER, file.name)
    save_layout(target, text)
    return target, n_words


def _yes_no(column: pd.Series) -> list[bool | None]:
    return [YES_NO.get(word) for word in column.tolist()]


def _texts(column: pd.Series) -> list[str | None]:
    return [text or None for text in column.tolist()]
