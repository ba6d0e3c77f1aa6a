"""Notes with the right answer, and a definition to read them with."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from forecast.visits.case_definition import CaseDefinition, classify, read_note

NOTES = Path(__file__).parent / "notes"


@pytest.fixture(scope="session")
def shipped() -> CaseDefinition:
    return CaseDefinition.shipped()


@pytest.fixture(scope="session")
def signals(shipped: CaseDefinition) -> Callable[[str], set[str]]:
    """Give a function that names the signals of a note."""

    def read(note: str) -> set[str]:
        found = read_note(note, shipped).signals
        return {name for name, bit in shipped.signals.items() if found & bit}

    return read


def read_notes(name: str) -> pd.DataFrame:
    """Read a table of notes: note, items, kind, about and, for tuning, known_failure."""
    with (NOTES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return pd.DataFrame(list(csv.DictReader(file)))


@pytest.fixture(scope="session")
def judged(shipped: CaseDefinition) -> Callable[[str], pd.DataFrame]:
    """Give a function that judges a table of notes; the right answer stands in `kind`."""

    def judge(name: str) -> pd.DataFrame:
        table = read_notes(name)
        items = [tuple(part for part in one.split(";") if part) for one in table["items"]]
        visits = pd.DataFrame(
            {
                "patient": "p",
                "item_classes": items,
                "codes": [()] * len(table),
                "note": table["note"],
            }
        )
        return table.join(classify(visits, shipped).rename(columns={"kind": "told"}))

    return judge


@pytest.fixture(scope="session")
def notes() -> list[str]:
    """Give all notes of both languages."""
    names = [path.stem for path in sorted(NOTES.glob("*.csv"))]
    return [note for name in names for note in read_notes(name)["note"]]
