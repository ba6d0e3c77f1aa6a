"""The invented practice's exports come in by the door of any practice, beside the truth of them.

A person of the practice answers where an import is held: new item strings get their classes in the
layout file and the import is read again. What is held for another reason is looked at and taken as
it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from forecast.practice import Practice
from forecast.records import open_records
from forecast.records.dogs import dog_ids
from forecast.records.imports import HELD, ImportedFile, imported_files
from forecast.records.visits import visits
from forecast.visits import accept_import
from jobs.demo.invention import InventedPractice, write_csv
from jobs.demo.raw_export import RawExports, write_raw_exports
from jobs.imports import import_file, read_again

FLARE = "itch flare"
_BEFORE, _AFTER = ("branches", "dogs"), ("facts", "therapies", "scores")
_KEYS = ["branch", "date", "patient"]
_HABITS = {"first": "half of the vets", "held_out": "the other half"}


@dataclass(frozen=True)
class Answered:
    """An import that was held: why, and what a person did about it."""

    file: str
    because: tuple[str, ...]
    answer: str


@dataclass(frozen=True)
class CameIn:
    """What came of the exports: files, rows, what was held, flares found beside true ones.

    `found` has a row for all visits and one for each of two habits of writing: true flares, flares
    found, and those that are both.
    """

    n_files: int
    n_visits: int
    answered: tuple[Answered, ...]
    planted: pd.DataFrame
    found: pd.DataFrame


def bring_in(
    practice: Practice, invented: InventedPractice, *, say: Callable[[str], None]
) -> CameIn:
    """Write the practice's exports into its folder and import them all, oldest first."""
    raw = write_raw_exports(invented, practice.folder)
    tables = {path.stem: path for path in write_csv(invented, raw.files[0].parent)}
    tables.pop("visits").unlink()  # the tidy table that no real system writes
    for name in _BEFORE:
        import_file(practice, name, tables[name])
    import_file(practice, "closures", raw.closures)
    answered = [
        answer for file in raw.files if (answer := _import_export(practice, file, raw, say))
    ]
    for name in _AFTER:
        import_file(practice, name, tables[name])
    kinds = _found(practice)
    return CameIn(len(raw.files), len(kinds), tuple(answered), raw.planted, _beside(raw, kinds))


def _import_export(
    practice: Practice, file: Path, raw: RawExports, say: Callable[[str], None]
) -> Answered | None:
    say(f"importing {file.name}")
    import_file(practice, "visits", file)
    held = _held(practice, file)
    if held is None:
        return None
    because = tuple(held.held_because or ())
    records = open_records(practice)
    if file == raw.recoding.first_file:
        for layout in raw.layouts:
            _add_items(layout, raw.recoding.items)
        read_again(practice, held.id)
        held = _held(practice, file)
        if held is None:
            return Answered(file.name, because, "new items got their classes; read again")
    accept_import(practice, records, held.id)
    return Answered(file.name, because, "looked at and taken as it is")


def _held(practice: Practice, file: Path) -> ImportedFile | None:
    newest = [f for f in imported_files(open_records(practice)) if f.file_name == file.name][-1:]
    return newest[0] if newest and newest[0].state == HELD else None


def _add_items(layout: Path, items: Mapping[str, str]) -> None:
    """Add item strings and their classes to a layout file, as a person would."""
    text = layout.read_text(encoding="utf-8")
    added = "".join(f'"{item}" = "{name}"\n' for item, name in items.items())
    layout.write_text(
        re.sub(r"(?m)^\[items\]\n", lambda header: header.group() + added, text, count=1),
        encoding="utf-8",
    )


def _found(practice: Practice) -> pd.DataFrame:
    """Return the kinds that the records give: branch, date, patient, kind."""
    records = open_records(practice)
    numbers = {dog_id: number for number, dog_id in dog_ids(records).items()}
    held = visits(records)
    return held.assign(patient=held["dog"].map(numbers))


def _beside(raw: RawExports, kinds: pd.DataFrame) -> pd.DataFrame:
    """Count flares that are true, found, and both, for all and by the habit of writing."""
    truth = raw.truth.drop_duplicates(_KEYS).set_index(_KEYS)
    true = truth.index[truth["kind"] == FLARE]
    found = pd.MultiIndex.from_frame(kinds.loc[kinds["kind"] == FLARE, _KEYS]).unique()
    bank = truth["bank"]
    rows = {"all visits": (len(true), len(found), len(true.intersection(found)))}
    for name in bank.dropna().unique():
        of = bank.index[bank == name]
        mine, theirs = true.intersection(of), found.intersection(of)
        rows[_HABITS.get(name, name)] = (
            len(mine),
            len(theirs),
            len(mine.intersection(theirs)),
        )
    return pd.DataFrame.from_dict(rows, orient="index", columns=["true", "found", "both"])
