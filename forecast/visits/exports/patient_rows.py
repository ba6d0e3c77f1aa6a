"""A file of patients as its practice writes it, put into our own columns, words and days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from forecast.csv_files import CsvTable, csv_table
from forecast.findings import Finding
from forecast.sheets import Sheet, SheetError, read_sheet, same_heading
from forecast.visits.exports.patient_layout import (
    DAYS,
    DOG,
    HOLDS,
    NONE,
    PatientLayout,
    fitting_patient_layout,
    is_our_own,
)
from forecast.visits.exports.written_days import take_apart

_LISTED = 12  # words named in a finding
_DROPPED = "\x00"  # no cell holds it: what a word meant that is nothing of ours
_COMMA_NUMBER = r"[+-]?\d+,\d+"


@dataclass(frozen=True)
class OwnWords:
    """What a practice says of its files of patients: layouts, and numbers that were given up."""

    layouts: Sequence[PatientLayout] = ()
    merged: Mapping[str, str] | None = None


@dataclass(frozen=True)
class PatientRows:
    """Rows of a file of patients under our own headings, and through which layout they came."""

    table: CsvTable
    layout: PatientLayout | None
    given: frozenset[str]


def read_patient_rows(
    content: bytes, file: str, holds: str, *, own: OwnWords, today: date
) -> PatientRows:
    """Read a file of one of `HOLDS`: of our own format, or through the practice's layout of it.

    Raises
    ------
    SheetError, LayoutError
        If the file cannot be read, more than one layout fits, or one leaves a question open.
    """
    columns = HOLDS[holds]
    layouts = [layout for layout in own.layouts if layout.holds == holds]
    expected = [columns.required, *(tuple(layout.columns.values()) for layout in layouts)]
    sheet = read_sheet(content, file, expected=expected)
    layout = None
    if not is_our_own(sheet.headings, holds):
        layout = fitting_patient_layout(layouts, sheet.headings, holds=holds, file=file)
    if layout is not None:
        sheet = _in_our_columns(sheet, layout, own=own, today=today)
    given = frozenset(heading.lower() for heading in sheet.headings) & set(columns.all)
    try:
        table = csv_table(sheet, required=columns.required, optional=columns.optional)
    except SheetError as error:
        if layout is None and not set(columns.required) & given:
            raise SheetError(
                f"{error}; or say what its columns and words mean: `forepaw import layout {holds} "
                "FILE` writes a layout to fill in"
            ) from error
        raise
    return PatientRows(table, layout, given)


def _in_our_columns(sheet: Sheet, layout: PatientLayout, *, own: OwnWords, today: date) -> Sheet:
    places = {same_heading(name): name for name in reversed(sheet.headings)}
    rows = pd.DataFrame(index=sheet.rows.index)
    for ours in HOLDS[layout.holds].all:
        if ours in layout.columns:
            rows[ours] = sheet.rows[places[same_heading(layout.columns[ours])]].astype("str")
        elif ours in layout.always:
            rows[ours] = layout.always[ours]
    for ours in rows.columns:
        rows[ours] = _cells(rows[ours], ours, layout, own=own, today=today)
    found = replace(sheet, rows=rows, repeated=())
    _leave_out_what_is_none(found, layout)
    return found


def _cells(
    cells: pd.Series, ours: str, layout: PatientLayout, *, own: OwnWords, today: date
) -> pd.Series:
    if ours == DOG:
        merged = own.merged or {}
        return cells.map(lambda number: merged.get(number, number))
    if ours in DAYS:
        return _days(cells, ours, layout, today)
    meant = {word: _meaning(word, layout) for word in cells.unique().tolist()}
    told = cells.map(meant)
    return _numbers(told, ours, layout) if ours in HOLDS[layout.holds].numbers else told


def _meaning(word: str, layout: PatientLayout) -> str:
    meant = layout.lookup.get(same_heading(word), word)
    return _DROPPED if meant == NONE and word != NONE else meant


def _days(cells: pd.Series, ours: str, layout: PatientLayout, today: date) -> pd.Series:
    """Write days as ours are; a cell that is no day stays as it is, to be reported as it is."""
    texts = [text for text in cells.unique().tolist() if text]
    written = take_apart(texts)
    order = layout.day_order
    if not order:
        proof = written.proof(today)
        if proof.in_question:
            raise SheetError(
                f"column {layout.columns[ours]!r}: {proof.example!r} can be read in more than one "
                f'way; write day_order = "day month year", or what it is, in {layout.file}'
            )
        order = proof.proved or "day month year"
    moments = written.read(order).astype("datetime64[D]")
    days = {
        text: text if np.isnat(moment) else str(moment)
        for text, moment in zip(texts, moments, strict=True)
    }
    return cells.map(lambda text: days.get(text, text))


def _numbers(cells: pd.Series, ours: str, layout: PatientLayout) -> pd.Series:
    with_comma = cells.str.fullmatch(_COMMA_NUMBER)
    if not with_comma.any() or layout.decimal == ".":
        return cells
    if layout.decimal != ",":
        raise SheetError(
            f"column {layout.columns[ours]!r}: {cells[with_comma].iloc[0]!r} has a comma; write "
            f'decimal = "," in {layout.file}, if it is the decimal mark'
        )
    return cells.mask(with_comma, cells.str.replace(",", ".", regex=False))


def _leave_out_what_is_none(sheet: Sheet, layout: PatientLayout) -> None:
    nothing = (sheet.rows == _DROPPED).any(axis=1)
    if nothing.any():
        sheet.note("said to be nothing of ours", f"{int(nothing.sum())} rows, by {layout.file}")
        sheet.rows = sheet.rows[~nothing]


def words_without_meaning(
    table: CsvTable, column: str, *, known: Sequence[str], instead: str, layout: PatientLayout
) -> None:
    """Put `instead` for each word of a column that the layout does not know, and say which."""
    words = table.rows[column]
    unknown = ~words.isin([*known, instead])
    if not unknown.any():
        return
    counted = words[unknown].value_counts()
    listed = ", ".join(f"{word!r} ({n})" for word, n in counted.head(_LISTED).items())
    more = f" and {len(counted) - _LISTED} more" if len(counted) > _LISTED else ""
    table.findings.append(
        Finding(
            "word without a meaning",
            "warning",
            table.file,
            None,
            column,
            listed + more,
            f"{', '.join(known)}, or none",
            f"say in [words] of {layout.file} what each is; until then it counts as not known",
        )
    )
    table.rows = table.rows.assign(**{column: words.mask(unknown, instead)})
