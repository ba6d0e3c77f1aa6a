"""The archive gone through for one owner: raw files as they came, and what checks found in them."""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records import Records
from forecast.records.imports import imported_files
from forecast.visits.exports.layout import Layout, load_layouts
from forecast.visits.exports.patient_layout import load_patient_layouts
from forecast.visits.exports.redacting import (
    Parted,
    RedactionError,
    Theirs,
    findings_text,
    part,
    part_findings,
)
from forecast.visits.importing.archive import RAW_ENDING, findings_path

# Kinds of files in which no dog and no owner stands.
_NAMELESS = ("branches", "closures")


@dataclass(frozen=True)
class RawFile:
    """A raw file of the archive: where it is, the hash it came under, what it was called."""

    path: Path
    sha256: str
    name: str

    def content(self) -> bytes:
        """Return the bytes as they came."""
        try:
            return gzip.decompress(self.path.read_bytes())
        except (OSError, EOFError, zlib.error) as error:
            raise RedactionError(f"{self.path.name} cannot be unpacked ({error})") from error


@dataclass
class Searched:
    """What a search of the archive came to.

    Attributes
    ----------
    rows
        Rows that are theirs by the name of their file.
    remarks
        What a person should know of files that were written anew.
    unreadable
        Files in which their rows cannot be told from others, and why.
    """

    rows: dict[str, dict[int, dict[str, str]]] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    unreadable: dict[Path, str] = field(default_factory=dict)


def raw_files(practice: Practice, records: Records) -> Iterator[RawFile]:
    """Yield the raw files of the archive in which somebody may be named."""
    known = {file.sha256: file for file in imported_files(records)}
    for path in sorted(practice.archive_folder.glob(f"*{RAW_ENDING}")):
        sha256 = path.name.removesuffix(RAW_ENDING)
        file = known.get(sha256)
        if file is None or file.subject not in _NAMELESS:
            yield RawFile(path, sha256, file.file_name if file else path.name)


def search(practice: Practice, records: Records, theirs: Theirs) -> Searched:
    """Find somebody's rows in the archive; nothing is changed."""
    found = Searched()
    for file, parted in _parts(practice, records, theirs, found):
        if parted.rows:
            found.rows[file.name] = parted.rows
    return found


def take_out(practice: Practice, records: Records, theirs: Theirs) -> Searched:
    """Take somebody's rows out of the archive, and what was found in them out of the findings."""
    found = Searched()
    for file, parted in _parts(practice, records, theirs, found):
        _take_out_findings(practice, file, parted, theirs)
        if parted.rows:
            write_private(file.path, gzip.compress(parted.content, mtime=0))
            found.rows[file.name] = parted.rows
            if parted.remark:
                found.remarks.append(f"{file.path.name}: {parted.remark}")
    return found


def _parts(
    practice: Practice, records: Records, theirs: Theirs, found: Searched
) -> Iterator[tuple[RawFile, Parted]]:
    layouts: Sequence[Layout] = [
        *load_layouts(practice.layouts_folder),
        *(one.as_layout for one in load_patient_layouts(practice.layouts_folder)),
    ]
    for file in raw_files(practice, records):
        try:
            yield file, part(file.content(), file.name, layouts=layouts, theirs=theirs)
        except RedactionError as error:
            found.unreadable[file.path] = str(error)


def _take_out_findings(practice: Practice, file: RawFile, parted: Parted, theirs: Theirs) -> None:
    path = findings_path(practice.archive_folder, file.sha256)
    if not path.exists():
        return
    text = path.read_bytes().decode("utf-8-sig")
    lines = list(csv.DictReader(io.StringIO(text)))
    kept = part_findings(lines, parted.rows, theirs)
    if len(kept) < len(lines):
        write_private(path, findings_text(kept).encode("utf-8-sig"))
