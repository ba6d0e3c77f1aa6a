"""How a file comes in: archived as it came, checked, landed in batches, shown by one flip.

A file that was imported before (same content) changes nothing. A process killed on the way leaves
rows that no query sees; the next import of the same file starts afresh.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import IntegrityError

from forecast.csv_files import CsvTable, nothing_kept, read_bytes
from forecast.findings import Finding, n_errors
from forecast.practice import Practice
from forecast.records import Records
from forecast.records import dogs as dog_records
from forecast.records import imports as import_records
from forecast.records.imports import Row
from forecast.visits.archive import keep_findings, keep_raw, sha256_of
from forecast.visits.rules import VisitError

log = logging.getLogger(__name__)
# A pending import this old belongs to a process that is gone.
_ABANDONED_AFTER = timedelta(days=1)


@dataclass(frozen=True)
class ImportReport:
    """What became of a file."""

    subject: str
    file: str
    import_id: int
    n_read: int
    n_kept: int
    already: bool
    findings: tuple[Finding, ...] = ()
    findings_file: Path | None = None

    @property
    def sentence(self) -> str:
        """The outcome in one sentence."""
        if self.already:
            return (
                f"{self.file} was imported before (import {self.import_id}, {self.n_kept} "
                f"{self.subject}); nothing was changed"
            )
        left_out = n_errors(self.findings)
        tail = f"; {left_out} rows left out, see {self.findings_file}" if left_out else ""
        return f"{self.file}: {self.n_kept} {self.subject} of {self.n_read} rows imported{tail}"


@dataclass
class IncomingFile:
    """A file on its way in."""

    subject: str
    name: str
    content: bytes

    @property
    def sha256(self) -> str:
        """Hash of the content, which is what makes a file the same file."""
        return sha256_of(self.content)


def _read_file(subject: str, path: Path | str) -> IncomingFile:
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
    prepare: Callable[[Connection, list[Row]], list[Row]] | None = None,
) -> ImportReport:
    """Bring in a file of events: all its good rows become visible at once, or none does.

    `read` checks the content, `rows` turns what is kept into rows of the table, `prepare`
    completes a batch of them with ids within its transaction.
    """
    started = time.monotonic()
    file = _read_file(subject, path)
    import_records.sweep_pending(records, practice.now - _ABANDONED_AFTER)
    already = import_records.live_import(records, subject, file.sha256)
    if already is not None:
        return _imported_before(file, already)
    table, findings_file = _checked(practice, file, read)
    keep_raw(practice.archive_folder, file.content)
    values = rows(table)
    with records.writing() as connection:
        import_id = import_records.record_import(
            connection,
            subject,
            file_name=file.name,
            sha256=file.sha256,
            n_rows=len(values),
            at=practice.now,
            state="pending",
        )
    try:
        for start in range(0, len(values), import_records.ROWS_PER_BATCH):
            batch = values[start : start + import_records.ROWS_PER_BATCH]
            import_records.add_batch(records, subject, import_id, batch, prepare=prepare)
    except BaseException:
        import_records.undo_import(records, import_id)
        dog_records.sweep_unregistered(records)
        raise
    if not import_records.go_live(records, import_id):
        import_records.undo_import(records, import_id)
        winner = import_records.live_import(records, subject, file.sha256)
        assert winner is not None
        return _imported_before(file, winner)
    return _report(file, import_id, table, findings_file, started)


def keep_register(
    practice: Practice,
    records: Records,
    path: Path | str,
    subject: str,
    *,
    read: Callable[[IncomingFile], CsvTable],
    keep: Callable[[Connection, CsvTable], None],
    archive: bool = True,
) -> ImportReport:
    """Bring a register up to date from a file, in one transaction.

    Only the very file that came last changes nothing: an older one is applied anew. Without
    `archive` the raw file is not kept, nor what was found in it quoted.
    """
    started = time.monotonic()
    file = _read_file(subject, path)
    already = import_records.live_import(records, subject, file.sha256)
    if already is not None and already == _newest(records, subject):
        return _imported_before(file, already)
    table, findings_file = _checked(practice, file, read, quote=archive)
    if archive:
        keep_raw(practice.archive_folder, file.content)
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
    return _report(file, import_id, table, findings_file, started)


def _newest(records: Records, subject: str) -> import_records.ImportedFile | None:
    files = [f for f in import_records.imported_files(records) if f.subject == subject]
    return files[-1] if files else None


def _checked(
    practice: Practice,
    file: IncomingFile,
    read: Callable[[IncomingFile], CsvTable],
    *,
    quote: bool = True,
) -> tuple[CsvTable, Path | None]:
    """Read a file and keep what was found in it, without quoting it where it holds names."""
    table = read(file)
    kept = [f if quote else replace(f, found="see the file") for f in table.findings]
    findings_file = keep_findings(practice.archive_folder, file.sha256, kept)
    if table.rows.empty:
        raise nothing_kept(table)
    return table, findings_file


def _imported_before(file: IncomingFile, known: import_records.ImportedFile) -> ImportReport:
    return ImportReport(file.subject, file.name, known.id, known.n_rows, known.n_rows, True)


def _report(
    file: IncomingFile, import_id: int, table: CsvTable, findings_file: Path | None, started: float
) -> ImportReport:
    # no file name, no value: either may hold somebody's name
    log.info(
        "import %d: %d %s kept of %d rows, %.1f s",
        import_id,
        len(table.rows),
        file.subject,
        table.n_read,
        time.monotonic() - started,
    )
    return ImportReport(
        file.subject,
        file.name,
        import_id,
        table.n_read,
        len(table.rows),
        False,
        tuple(table.findings),
        findings_file,
    )
