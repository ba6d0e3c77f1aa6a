"""Visits on their way in: from a file, of our own format or through a layout, to one frame."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from forecast.csv_files import nothing_kept
from forecast.findings import Finding, n_errors
from forecast.records.bulk import Values
from forecast.records.visits import VISIT_COLUMNS
from forecast.sheets import Progress, Sheet, SheetError, read_sheet, same_heading
from forecast.visits.exports.export import GatheredExport, gathered
from forecast.visits.exports.layout import (
    ALREADY_CLASSIFIED,
    LENGTH,
    Layout,
    fitting,
    is_already_classified,
)
from forecast.visits.exports.lines import read_lines
from forecast.visits.importing.reading import classified_visits

_READ = 0.8  # share of the time that a million lines took to be read, of reading and gathering


@dataclass
class Arriving:
    """What a file says of visits.

    Attributes
    ----------
    visits
        A row each: reference, date, branch, patient and client ("" where none is named), kind,
        minutes (how long it took, not-a-number where nobody says).
        Read through a layout also entered, vet, items, item_classes, codes, note, postcode and
        unmapped; `kind` is then missing until a definition has judged.
    findings, n_read, n_left_out
        What the checks said, rows of the file, and those left out for a fault.
    layout
        What the file was read through; None for one of our own format.
    """

    visits: pd.DataFrame
    findings: list[Finding]
    n_read: int
    n_left_out: int
    layout: Layout | None

    @property
    def days(self) -> tuple[date, date]:
        """The first and the last day of its visits."""
        dates = self.visits["date"]
        return dates.min().date(), dates.max().date()


def read_arriving(
    content: bytes,
    name: str,
    *,
    layouts: Sequence[Layout],
    branches: Mapping[str, str],
    today: date,
    progress: Progress,
) -> Arriving:
    """Read a file of visits: one of our own format, or an export that exactly one layout fits.

    Raises
    ------
    SheetError, LayoutError
        If it cannot be read, or no row of it be kept.
    """
    sheet = read_sheet(
        content,
        name,
        expected=[ALREADY_CLASSIFIED, *(tuple(layout.columns.values()) for layout in layouts)],
        progress=lambda share: progress(_READ * share),
    )
    if _is_ours(sheet, layouts):
        return _classified(sheet, branches, today)
    layout = fitting(layouts, sheet.headings, name)
    lines = read_lines(sheet, layout, branches=branches, today=today)
    del sheet  # a long file's texts need not be held twice
    found = gathered(lines, layout)
    if found.visits.empty:
        raise _no_visit(name, found)
    progress(1.0)
    return Arriving(
        found.visits.assign(kind=None),
        list(found.findings),
        found.n_read,
        found.n_left_out,
        layout,
    )


def _no_visit(file: str, found: GatheredExport) -> SheetError:
    apart = ", ".join(f"{n} {reason}" for reason, n in found.tally.items() if n)
    return SheetError(
        f"{file}: no visit came of its {found.n_read} rows ({apart}); nothing was imported; if "
        f"that is wrong, correct the statuses or item classes in {found.layout.file}"
    )


def _is_ours(sheet: Sheet, layouts: Sequence[Layout]) -> bool:
    """Say whether a file is of our own format, or meant to be and lacks a column of it."""
    if is_already_classified(sheet.headings):
        return True
    there = {same_heading(heading) for heading in sheet.headings} & set(ALREADY_CLASSIFIED)
    fits = any(layout.fits(sheet.headings) for layout in layouts)
    return len(there) == len(ALREADY_CLASSIFIED) - 1 and not fits


def _classified(sheet: Sheet, branches: Mapping[str, str], today: date) -> Arriving:
    table = classified_visits(sheet, branches=list(branches), today=today)
    if table.rows.empty:
        raise nothing_kept(table)
    visits = table.rows.rename(columns={"visit": "reference", "dog": "patient"}).assign(client="")
    n_left_out = n_errors(table.findings)
    return Arriving(visits.reset_index(drop=True), table.findings, table.n_read, n_left_out, None)


def visit_rows(arriving: Arriving, dog_ids: Mapping[str, str]) -> list[Values]:
    """Return the visits as values of `VISIT_COLUMNS`, dogs by their random ids."""
    visits = arriving.visits
    n = len(visits)
    columns: dict[str, Sequence[Any]] = {
        "reference": visits["reference"].tolist(),
        "date": _days(visits["date"]),
        "branch_id": visits["branch"].tolist(),
        "dog_id": [dog_ids.get(patient) for patient in visits["patient"].tolist()],
        "kind": [None] * n if arriving.layout else visits["kind"].tolist(),
        LENGTH: _known(visits[LENGTH]),
    }
    if arriving.layout:
        words: dict[str, str] = {}
        columns |= {
            "vet": [vet or None for vet in visits["vet"].tolist()],
            "entered_on": _days(visits["entered"]),
            "items": _as_json(visits["items"], words),
            "item_classes": _as_json(visits["item_classes"], words),
            "codes": _as_json(visits["codes"], words),
            "note": visits["note"].tolist(),
            "layout": [arriving.layout.name] * n,
            "unmapped": _known(visits["unmapped"]),
        }
    empty = [None] * n
    return list(zip(*(columns.get(name, empty) for name in VISIT_COLUMNS), strict=True))


def _days(column: pd.Series) -> list[str | None]:
    """Return days as ISO 8601 writes them, None where there is none."""
    days = column.to_numpy().astype("datetime64[D]")
    written: list[str] = days.astype(str).tolist()
    return [
        None if missing else day
        for day, missing in zip(written, np.isnat(days).tolist(), strict=True)
    ]


def _known(column: pd.Series) -> list[float | None]:
    return [
        None if missing else value
        for value, missing in zip(column.tolist(), column.isna().tolist(), strict=True)
    ]


def _as_json(lists: pd.Series, words: dict[str, str]) -> list[str]:
    """Return lists of text as JSON; `words` keeps each distinct text as it is written there."""
    texts: dict[tuple[str, ...], str] = {}
    for one in set(lists):
        for word in one:
            if word not in words:
                words[word] = json.dumps(word, ensure_ascii=False)
        texts[one] = f"[{', '.join([words[word] for word in one])}]"
    return [texts[one] for one in lists]


def owners_of(visits: pd.DataFrame) -> dict[str, str]:
    """Return the owner's number of each patient that is named, as last told; "" where none is."""
    named = visits.loc[visits["patient"] != "", ["patient", "client", "date"]]
    owners = dict.fromkeys(named["patient"].unique(), "")
    told = named[named["client"] != ""].sort_values("date", kind="stable")
    return owners | dict(zip(told["patient"], told["client"], strict=True))
