"""Files that the service wrote about visits and dogs: samples, sheets, lists of plans.

Whatever else lies in the practice folder is the practice's own; it is looked through for names, and
said.
"""

from __future__ import annotations

import csv
import gzip
import io
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, cast

import pandas as pd

from forecast.csv_text import csv_text
from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records.erased import ERASED_FILE
from forecast.sheets import SheetError, read_sheet
from forecast.sheets.encoding import find_encoding
from forecast.visits.labelling.sheet import COLUMNS, sheet_workbook

SAMPLES = "samples"
_ERASED = "erased"
_SHORTEST = 4  # letters of a name that is looked for: a shorter one stands in any file by chance
# Written by the service and without names by construction, or gone through otherwise.
_NOT_SEARCHED = ("climate", "issued", "trained", "archive/replies")
_PIECE = 1 << 20  # bytes looked at at a time
# what a packed file that is broken, locked by a password or packed in an odd way is refused by
_SHUT = (gzip.BadGzipFile, EOFError, zlib.error, zipfile.BadZipFile, RuntimeError)
_TEXTS = ("utf-8", "utf-16-le", "cp1252")  # how a name may be written in a file of the practice's
_DELIMITERS = ",;\t"
_Line = dict[str, str]


@dataclass
class Papers:
    """Files that were rewritten, and what is left for a person to do."""

    written: list[Path] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def rewrite_papers(
    practice: Practice, renamed: Mapping[str, str], dog_numbers: Iterable[str]
) -> Papers:
    """Take somebody's visits and dogs out of what the service wrote.

    `renamed` tells what stands in place of the references of visits. Answers that a vet filled in
    stay, also in workbooks.
    """
    numbers, papers = dict.fromkeys(dog_numbers, _ERASED), Papers()
    theirs: dict[str, list[str]] = {}
    for path in sorted((practice.archive_folder / SAMPLES).glob("*.csv")):
        lines = _lines(path)
        for line in lines:
            if line["reference"] in renamed:
                theirs.setdefault(line["sample"], []).append(line["number"])
        if _change(lines, "reference", renamed):
            papers.written.append(_write(path, lines))
    drop_letters(practice)
    for path in sorted(practice.outbox_folder.rglob("*.csv")):
        lines = _lines(path)
        changed = _change(lines, "dog", numbers) | _change(lines, "visit", renamed)
        if _empty_notes(lines, theirs) | changed:
            papers.written.append(_write(path, lines))
    if theirs:
        for path in sorted(practice.outbox_folder.rglob("*.xlsx")):
            _empty_workbook(path, theirs, papers)
    return papers


def drop_letters(practice: Practice, *, before: float | None = None) -> int:
    """Delete what waits to be handed over, or what was written before a moment (POSIX time).

    Whom a PDF names cannot be told from its bytes, and each of them can be made again.
    """
    n_files = 0
    for path in sorted(practice.letters_folder.glob("*")):
        if path.is_file() and (before is None or path.stat().st_mtime < before):
            path.unlink()
            n_files += 1
    return n_files


def _empty_notes(lines: Sequence[_Line], theirs: Mapping[str, Sequence[str]]) -> bool:
    """Empty the notes of visits of theirs in a sheet; say whether there were any."""
    noted = [
        line
        for line in lines
        if line.get("number") in theirs.get(line.get("sample", ""), ()) and line.get("note")
    ]
    for line in noted:
        line["note"] = ""
    return bool(noted)


def _empty_workbook(path: Path, theirs: Mapping[str, Sequence[str]], papers: Papers) -> None:
    """Write a sheet that is a workbook anew without their notes; what cannot be read is said."""
    try:
        rows = read_sheet(path.read_bytes(), path.name, expected=[COLUMNS]).rows.astype(str)
    except (SheetError, OSError) as error:
        papers.remarks.append(f"{path} may hold notes on their dogs and cannot be read ({error})")
        return
    if not {"sample", "number", "note", "flare"} <= set(rows.columns):
        return
    lines = [dict(zip(rows.columns, cells, strict=True)) for cells in rows.to_numpy().tolist()]
    if _empty_notes(lines, theirs):
        write_private(path, sheet_workbook(pd.DataFrame(lines, columns=rows.columns)))
        papers.written.append(path)


def _lines(path: Path) -> list[_Line]:
    content = path.read_bytes()
    try:
        codec = find_encoding(content, path.name).codec
    except SheetError:  # no text at all: what of it reads as one is gone through all the same
        codec = "utf-8"
    text = content.decode(codec, "replace").removeprefix("\ufeff")
    first, _, _ = text.partition("\n")
    delimiter = max(_DELIMITERS, key=first.count)  # a spreadsheet program may have saved it anew
    return [
        {name: cell or "" for name, cell in line.items() if isinstance(name, str)}
        for line in csv.DictReader(io.StringIO(text), delimiter=delimiter)
    ]


def _change(lines: Sequence[_Line], column: str, instead: Mapping[str, str]) -> bool:
    changed = False
    for line in lines:
        if line.get(column) in instead:
            line[column], changed = instead[line[column]], True
    return changed


def _write(path: Path, lines: Sequence[_Line]) -> Path:
    columns = list(lines[0])
    text = csv_text(columns, ([line[name] for name in columns] for line in lines))
    write_private(path, text.encode("utf-8-sig"))
    return path


@dataclass(frozen=True)
class Named:
    """The files that hold a name, and sentences on those that could not be looked through."""

    files: list[Path]
    remarks: list[str]


def still_named(practice: Practice, names: Iterable[str]) -> Named:
    """Return the files of the practice folder that hold one of some names, packed ones too."""
    wanted = [name for name in names if len(name) >= _SHORTEST]
    needles = [form.encode(text, "ignore") for name in wanted for form in {name} for text in _TEXTS]
    needles = [needle for needle in dict.fromkeys(needles) if needle]
    found = Named([], [])
    for path in _own_files(practice) if needles else ():
        try:
            if any(_holds(content, needles) for content in _contents(path)):
                found.files.append(path)
        except FileNotFoundError:
            continue  # of somebody at work, who took it away meanwhile
        except _SHUT as error:
            found.remarks.append(
                f"what is packed into {path} could not be looked through ({error}); look yourself "
                "whether it names them"
            )
    return found


def _own_files(practice: Practice) -> Iterator[Path]:
    skipped = [practice.folder / name for name in _NOT_SEARCHED]
    for path in sorted(practice.folder.rglob("*")):
        own = not any(folder in path.parents for folder in skipped)
        if own and path.is_file() and path.name != ERASED_FILE:
            yield path


def _contents(path: Path) -> Iterator[IO[bytes]]:
    """Yield the content of a file, and of what is packed into it, to be read piece by piece."""
    with path.open("rb") as plain:
        yield plain
    if path.suffix == ".gz":
        with gzip.open(path) as unpacked:
            yield cast("IO[bytes]", unpacked)
    elif zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as packed:
            for name in packed.namelist():
                with packed.open(name) as member:
                    yield member


def _holds(content: IO[bytes], needles: Sequence[bytes]) -> bool:
    """Say whether a content holds one of some words; however much it unpacks to, little is held."""
    overlap, tail = max(map(len, needles)) - 1, b""
    while piece := content.read(_PIECE):
        piece = tail + piece
        if any(needle in piece for needle in needles):
            return True
        tail = piece[-overlap:] if overlap else b""
    return False
