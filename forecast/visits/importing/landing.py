"""How a file comes in: archived as it came, checked, landed in batches, shown by one flip.

A file that was imported before (same content) changes nothing. A process killed on the way leaves
rows that no query sees; the next import of the same file starts afresh. Rows of somebody who was
erased are taken out of what is archived.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Container, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection
from sqlalchemy.exc import IntegrityError

from forecast.csv_files import CsvTable, nothing_kept, read_bytes
from forecast.findings import Finding, n_errors
from forecast.practice import Practice
from forecast.records import Records
from forecast.records import imports as import_records
from forecast.records.erased import ErasedList, read_erased
from forecast.records.imports import HELD, PENDING, VISITS, ImportedFile, Row
from forecast.records.strangers import sweep_unregistered
from forecast.visits.exports.layout import Layout
from forecast.visits.exports.redacting import DOG, Parted, Theirs, part
from forecast.visits.importing.archive import keep_findings, keep_raw, sha256_of
from forecast.visits.rules import VisitError

log = logging.getLogger(__name__)
# A pending import this old belongs to a process that is gone.
_ABANDONED_AFTER = timedelta(days=1)
YES_NO = {"yes": True, "no": False}  # anything else, and nothing, is not known


@dataclass(frozen=True)
class ImportReport:
    """What became of a file.

    `n_read` rows were read and `n_left_out` of them left out for a fault; `n_kept` is what came of
    the others. `held_because` says why nothing is learnt from it until a person answers.
    """

    subject: str
    file: str
    import_id: int
    n_read: int
    n_kept: int
    already: bool
    findings: tuple[Finding, ...] = ()
    findings_file: Path | None = None
    n_left_out: int = 0
    held_because: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The outcome in a sentence, or in a few where an answer is asked for."""
        n = self.import_id
        answers = (
            f"`forepaw import accept {n}` takes it as it is, `forepaw import again {n}` reads it "
            f"anew if its layout was changed, `forepaw import undo {n}` takes it back"
        )
        if self.already:
            told = f"{self.file} was imported before (import {self.import_id}, {self.n_kept} "
            told += f"{self.subject}); nothing was changed"
            if self.held_because:
                return f"{told}: it is held until you answer; {answers}"
            if self.subject == VISITS:
                return f"{told}; `forepaw import again {n}` reads it anew"
            return f"{told}; to read it anew, take it back first: `forepaw import undo {n}`"
        tail = ""
        if self.n_left_out:
            tail = f"; {self.n_left_out} rows left out, see {self.findings_file}"
        told = f"{self.file}: {self.n_kept} {self.subject} of {self.n_read} rows"
        if not self.held_because:
            return f"{told} imported{tail}"
        held = f"{told} held as import {n}, as "
        if len(self.held_because) == 1:
            return f"{held}{self.held_because[0]}{tail}. {answers}"
        reasons = "".join(f"\n  - {reason}" for reason in self.held_because)
        return f"{held}it is unlike the past{tail}:{reasons}\n{answers}"


@dataclass
class IncomingFile:
    """A file on its way in; from the archive, it is still known by the hash that it came with."""

    subject: str
    name: str
    content: bytes
    came_as: str = ""

    @cached_property
    def sha256(self) -> str:
        """Hash of the content, which is what makes a file the same file."""
        return self.came_as or sha256_of(self.content)


def incoming(subject: str, path: Path | str) -> IncomingFile:
    """Read a file that is to come in."""
    content, name = read_bytes(path)
    return IncomingFile(subject, name, content)


def land_events(
    practice: Practice,
    records: Records,
    path: Path | str,
    subject: str,
    *,
    read: Callable[[IncomingFile], CsvTable],
    rows: Callable[[CsvTable], list[Row]],
    names_dogs: bool = True,
    layouts: Sequence[Layout] = (),
) -> ImportReport:
    """Bring in a file of events: all its good rows become visible at once, or none does.

    `read` checks the content, `rows` turns what is kept into rows of the table. Where it
    `names_dogs`, those that were erased are taken out of what is archived: by our own headings, or
    those that `layouts` name.
    """
    started = time.monotonic()
    file = incoming(subject, path)
    sweep_abandoned(practice, records)
    already = import_records.standing_import(records, subject, file.sha256)
    if already is not None:
        return imported_before(file, already)
    table = read(file)
    left = without_erased(practice, file, layouts if names_dogs else None)
    findings_file = _checked(practice, file, table, theirs=left.rows)
    archive(practice, file, left.content)
    values = rows(table)
    report = _report(file, 0, table, findings_file)
    with landing(practice, records, file, n_rows=len(values)) as import_id:
        import_records.add_batches(records, subject, import_id, values)
        came_first = not import_records.go_live(records, import_id)
    if came_first:
        return overtaken(records, file, import_id)
    log_import(report, import_id, started)
    return replace(report, import_id=import_id)


def sweep_abandoned(practice: Practice, records: Records) -> None:
    """Take back imports that were left pending by processes that are gone."""
    import_records.sweep_pending(records, practice.now - _ABANDONED_AFTER)


@contextmanager
def landing(
    practice: Practice,
    records: Records,
    file: IncomingFile,
    *,
    n_rows: int,
    days: tuple[date, date] | None = None,
) -> Iterator[int]:
    """Hand out the id of a pending import; if what is done under it fails, nothing is left."""
    with records.writing() as connection:
        import_id = import_records.record_import(
            connection,
            file.subject,
            file_name=file.name,
            sha256=file.sha256,
            n_rows=n_rows,
            at=practice.now,
            state=PENDING,
            days=days,
        )
    try:
        yield import_id
    except BaseException:
        take_back(records, import_id)
        raise


def take_back(records: Records, import_id: int) -> int:
    """Undo an import, with the dogs and owners that nothing but it knew of; return its rows."""
    n_rows = import_records.undo_import(records, import_id)
    sweep_unregistered(records)
    return n_rows


def overtaken(records: Records, file: IncomingFile, import_id: int) -> ImportReport:
    """Take back an import whose file another process brought in meanwhile."""
    take_back(records, import_id)
    winner = import_records.standing_import(records, file.subject, file.sha256)
    assert winner is not None
    return imported_before(file, winner)


def without_erased(
    practice: Practice, file: IncomingFile, layouts: Sequence[Layout] | None
) -> Parted:
    """Return the raw file without the rows of those who were erased, and which rows those are.

    `layouts` tell its columns, if it is of none of our own formats; None for a file in which no dog
    and no owner stands.
    """
    erased = read_erased(practice)
    if not erased or layouts is None:
        return Parted(file.content)
    return part(file.content, file.name, layouts=layouts, theirs=_erased(erased))


def archive(practice: Practice, file: IncomingFile, content: bytes) -> None:
    """Keep what is kept of a raw file, under the hash that it came with."""
    keep_raw(practice.archive_folder, content, sha256=file.sha256)


def _erased(erased: ErasedList) -> Theirs:
    def is_erased(kind: str, number: str) -> bool:
        return erased.dog_id(number) is not None if kind == DOG else erased.holds_owner(number)

    return Theirs(is_erased)


def keep_register(
    practice: Practice,
    records: Records,
    path: Path | str,
    subject: str,
    *,
    read: Callable[[IncomingFile], CsvTable],
    keep: Callable[[Connection, CsvTable], None],
    archived: bool = True,
) -> ImportReport:
    """Bring a register up to date from a file, in one transaction.

    Only the very file that came last changes nothing: an older one is applied anew. Unless it is
    `archived`, the raw file is not kept, nor what was found in it quoted.
    """
    started = time.monotonic()
    file = incoming(subject, path)
    already = import_records.standing_import(records, subject, file.sha256)
    if already is not None and already == _newest(records, subject):
        return imported_before(file, already)
    table = read(file)
    findings_file = _checked(practice, file, table, quote=archived)
    if archived:
        archive(practice, file, file.content)
    try:
        with records.writing() as connection:
            keep(connection, table)
            import_id = import_records.record_import(
                connection,
                subject,
                file_name=file.name,
                sha256=file.sha256,
                n_rows=len(table.rows),
                at=practice.now,
            )
    except IntegrityError as error:
        raise VisitError(
            f"{file.name}: the {subject} break a rule of the records ({error.orig}); nothing "
            "was imported; correct the file"
        ) from error
    report = _report(file, import_id, table, findings_file)
    log_import(report, import_id, started)
    return report


def _newest(records: Records, subject: str) -> ImportedFile | None:
    files = [f for f in import_records.imported_files(records) if f.subject == subject]
    return files[-1] if files else None


def _checked(
    practice: Practice,
    file: IncomingFile,
    table: CsvTable,
    *,
    quote: bool = True,
    theirs: Container[int] = (),
) -> Path | None:
    """Keep what was found in a file, not quoted where it holds names; refuse an empty one."""
    told = [f if quote else replace(f, found="see the file") for f in table.findings]
    findings_file = note_findings(practice, file, told, theirs=theirs)
    if table.rows.empty:
        raise nothing_kept(table)
    return findings_file


def note_findings(
    practice: Practice, file: IncomingFile, findings: Sequence[Finding], *, theirs: Container[int]
) -> Path | None:
    """Keep what checks found in a file, but for rows of the erased; None where there is nothing."""
    kept = [f for f in findings if f.row is None or f.row not in theirs]
    return keep_findings(practice.archive_folder, file.sha256, kept)


def imported_before(file: IncomingFile, known: ImportedFile) -> ImportReport:
    """Report a file that is in already, or held."""
    because = known.held_because if known.state == HELD else ()
    return ImportReport(
        file.subject, file.name, known.id, known.n_rows, known.n_rows, True, held_because=because
    )


def log_import(report: ImportReport, import_id: int, started: float) -> None:
    """Log an import: no file name, no value, as either may hold somebody's name."""
    log.info(
        "import %d: %d %s kept of %d rows, %.1f s%s",
        import_id,
        report.n_kept,
        report.subject,
        report.n_read,
        time.monotonic() - started,
        ", held" if report.held_because else "",
    )


def _report(
    file: IncomingFile, import_id: int, table: CsvTable, findings_file: Path | None
) -> ImportReport:
    return ImportReport(
        file.subject,
        file.name,
        import_id,
        table.n_read,
        len(table.rows),
        False,
        tuple(table.findings),
        findings_file,
        n_errors(table.findings),
    )


def days_of(column: pd.Series) -> list[Any]:
    """Return days as dates, None where there is none."""
    return list(column.to_numpy().astype("datetime64[D]").tolist())


def event_rows(**columns: Sequence[Any]) -> list[Row]:
    """Return rows of a table from its columns."""
    names = list(columns)
    return [dict(zip(names, values, strict=True)) for values in zip(*columns.values(), strict=True)]
