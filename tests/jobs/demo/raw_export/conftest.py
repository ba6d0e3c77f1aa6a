"""The raw exports of the invented practice, written once, and their lines as plain text."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export import RawExports, write_raw_exports
from jobs.demo.worlds import World

# One set of names for both systems' columns.
OLD_COLUMNS = {
    "Invoice": "number",
    "Date": "date",
    "Entered": "entered",
    "Site": "branch",
    "Client no": "client",
    "Patient no": "patient",
    "Patient": "name",
    "Species": "species",
    "Item": "item",
    "Qty": "quantity",
    "Notes": "note",
    "State": "state",
}
NEW_COLUMNS = {
    "visit_id": "number",
    "seen": "date",
    "created": "entered",
    "location": "branch",
    "client_id": "client",
    "animal_id": "patient",
    "animal": "name",
    "kind_of_animal": "species",
    "product": "item",
    "units": "quantity",
    "clinical_note": "note",
    "status": "state",
}
STATES = {"final": "PAID", "void": "VOID", "amended": "REOPENED"}

Row = dict[str, Any]


def rows_of(path: Path) -> list[Row]:
    """Read an export with the standard library alone."""
    if path.name.startswith("old_system"):
        text = path.read_bytes().decode("cp1252").split("\r\n", 2)[2]
        names, form, separator = OLD_COLUMNS, "%d/%m/%Y", ";"
    else:
        text = path.read_bytes().decode("utf-8-sig")
        names, form, separator = NEW_COLUMNS, "%Y-%m-%d", ","
    heading, *table = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    if path.name.startswith("old_system"):
        assert table.pop()[0] == "Total"
    places = {ours: heading.index(theirs) for theirs, ours in names.items()}
    days: dict[str, datetime] = {}
    kept = []
    for cells in table:
        row: Row = {name: cells[place] for name, place in places.items()}
        row["cells"] = cells
        row["state"] = STATES.get(row["state"], row["state"])
        for column in ("date", "entered"):
            day = row[column][:10]
            if day not in days:
                days[day] = datetime.strptime(day, form)
            row[column] = days[day]
        kept.append(row)
    return kept


@pytest.fixture(scope="session")
def invented(practice: Callable[[World], InventedPractice]) -> InventedPractice:
    return practice("humidity")


@pytest.fixture(scope="session")
def raw(invented: InventedPractice, tmp_path_factory: pytest.TempPathFactory) -> RawExports:
    return write_raw_exports(invented, tmp_path_factory.mktemp("practice"))


@pytest.fixture(scope="session")
def read(raw: RawExports) -> dict[str, list[Row]]:
    return {path.name: rows_of(path) for path in raw.files}


@pytest.fixture(scope="session")
def read_lines() -> Callable[[Path], list[Row]]:
    """Give what reads an export without any of our own readers."""
    return rows_of
