"""Sheets: the bytes of an export as a table of text, whatever program wrote it.

Text files in UTF-8, UTF-16 and Windows-1252, with commas, semicolons, tabs or bars, and workbooks.
Everything is read as text with the row number a spreadsheet shows, so that a later check can say
where a bad value stands. Nothing is guessed at: what was decided, and what had to be left out, is
said as findings.
"""

from __future__ import annotations

import gc
import io
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain, islice

import pandas as pd

from forecast.findings import Finding, Severity, row_findings
from forecast.sheets.block import Block, Fault
from forecast.sheets.collecting import Collector
from forecast.sheets.delimited import SAMPLE_LINES, find_delimiter, read_blocks
from forecast.sheets.encoding import find_encoding
from forecast.sheets.errors import SheetError
from forecast.sheets.heading import TOP_ROWS, column_names, find_heading, same_heading
from forecast.sheets.workbook import is_workbook, open_sheet, workbook_blocks

__all__ = ["Progress", "Sheet", "SheetError", "read_sheet", "same_heading"]

Progress = Callable[[float], None]
_SHOWN = 60  # letters of a cell in a finding


@dataclass
class Sheet:
    """A table of text, and what was found on the way.

    Attributes
    ----------
    rows
        One column a heading, as categories of stripped text; the index is the row number that a
        spreadsheet shows. An empty cell is "".
    n_read
        Rows below the headings that hold something, those left out too; totals and remarks below
        the table are none.
    encoding, delimiter
        As found; empty for a workbook.
    sheet
        The name of the sheet of a workbook; empty for a text file.
    heading_row
        Where the headings stand.
    repeated
        Headings that stand there more than once; the later columns got a number behind.
    """

    file: str
    rows: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    n_read: int = 0
    encoding: str = ""
    delimiter: str = ""
    sheet: str = ""
    heading_row: int = 1
    repeated: tuple[str, ...] = ()

    @property
    def headings(self) -> list[str]:
        """The names of the columns, in their order."""
        return [str(name) for name in self.rows.columns]

    def note(self, check: str, found: str, fix: str = "") -> None:
        """Say something about the whole file that changed no row."""
        self.findings.append(Finding(check, "note", self.file, None, None, found, "", fix))


def read_sheet(
    content: bytes,
    file: str,
    *,
    expected: Sequence[Collection[str]] = (),
    progress: Progress | None = None,
) -> Sheet:
    """Read the bytes of a text file or workbook into a table of text.

    Parameters
    ----------
    content, file
        The bytes, and the name used in sentences.
    expected
        Sets of headings one of which the file may have; they settle which line holds the headings.
    progress
        Is told the share read so far, from 0 to 1.

    Raises
    ------
    SheetError
        If the file as a whole cannot be a table.
    """
    if not content or content.isspace():
        raise SheetError(f"{file} is empty; export it again")
    if is_workbook(content):
        return _read_workbook(content, file, expected, progress)
    if content[:SAMPLE_LINES].lstrip().startswith(b"<"):
        raise SheetError(
            f"{file} is a web page, whatever its name says; open it in a spreadsheet program and "
            "save it as a workbook or as CSV UTF-8"
        )
    encoding = find_encoding(content, file)
    lines: Iterator[str] = io.TextIOWrapper(
        io.BytesIO(content), encoding=encoding.codec, errors=encoding.errors, newline=""
    )
    sample = list(islice(lines, SAMPLE_LINES))
    delimiter = find_delimiter(sample)
    sheet = Sheet(file, pd.DataFrame(), encoding=encoding.name, delimiter=delimiter.mark)
    if encoding.remark:
        sheet.note("encoding", encoding.remark, "check letters with accents")
    blocks = read_blocks(chain(sample, lines), delimiter)
    _fill(sheet, _told(blocks, len(content), progress), expected, usual=delimiter.n_cells)
    return sheet


def _read_workbook(
    content: bytes, file: str, expected: Sequence[Collection[str]], progress: Progress | None
) -> Sheet:
    table, others = open_sheet(content, file, expected)
    sheet = Sheet(file, pd.DataFrame(), sheet=table.name)
    if others:
        sheet.note(
            "sheets not read",
            ", ".join(others),
            f"only {table.name!r} was read; save another sheet as a file of its own",
        )
    blocks = _told(workbook_blocks(table), table.total_height, progress)
    _fill(sheet, blocks, expected, usual=table.total_width)
    return sheet


def _told(blocks: Iterator[Block], size: int, progress: Progress | None) -> Iterator[Block]:
    """Pass blocks on and tell the share of the whole that they make."""
    done = 0
    for block in blocks:
        yield block
        done += block.size
        if progress is not None:
            progress(min(1.0, done / max(size, 1)))
    if progress is not None:
        progress(1.0)


def _fill(
    sheet: Sheet, blocks: Iterator[Block], expected: Sequence[Collection[str]], *, usual: int
) -> None:
    """Find the headings, take in what stands below them, and say what was odd."""
    first = next(blocks)
    at = find_heading(first.cells[:TOP_ROWS], expected)
    if at is None:
        raise SheetError(
            f"{sheet.file} has no line of headings in its first {TOP_ROWS} rows; add one, with a "
            "name for each column"
        )
    sheet.heading_row = first.first + at
    collector = Collector(first.cells[at], usual)
    names, repeated = column_names(first.cells[at])
    sheet.repeated = tuple(repeated)
    faults: list[Fault] = []
    below = Block(sheet.heading_row + 1, first.cells[at + 1 :], first.faults, first.size)
    with _no_cycles_sought():
        for block in chain([below], blocks):
            collector.add(block)
            faults += (fault for fault in block.faults if fault.number > sheet.heading_row)
        sheet.rows = collector.frame(names)
    _say_what_was_odd(sheet, collector, faults)
    lost = sum(not fault.kept for fault in faults)
    sheet.n_read = len(sheet.rows) + len(collector.ragged) + lost


@contextmanager
def _no_cycles_sought() -> Iterator[None]:
    """Pause the search for reference cycles.

    It goes through all that is loaded, over and over while millions of short-lived lists come and
    go, and finds nothing: they hold no cycles. A third of the time was spent in it.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _say_what_was_odd(sheet: Sheet, collector: Collector, faults: list[Fault]) -> None:
    if sheet.heading_row > 1:
        sheet.note("lines above the headings", f"rows 1 to {sheet.heading_row - 1} were not read")
    for name in sheet.repeated:
        sheet.note("heading stands twice", name, "the later column got a number behind its name")
    if collector.n_repeated_headings:
        sheet.note("headings repeated", f"{collector.n_repeated_headings} lines were not read")
    for number, text in reversed(collector.closing):
        sheet.findings.append(
            Finding("line below the table", "note", sheet.file, number, None, _short(text), "", "")
        )
    n_columns = len(collector.heading)
    sheet.findings += row_findings(
        "wrong number of cells",
        "error",
        sheet.file,
        None,
        rows=[one.number for one in collector.ragged],
        found=[f"{one.n_cells} cells" for one in collector.ragged],
        allowed=f"{n_columns}, as in row {sheet.heading_row}",
        fix="look for a stray separator or quotation mark",
    )
    kinds: tuple[tuple[bool, Severity], ...] = ((True, "warning"), (False, "error"))
    for kept, severity in kinds:
        these = [fault for fault in faults if fault.kept is kept]
        sheet.findings += row_findings(
            "stray quotation mark",
            severity,
            sheet.file,
            None,
            rows=[fault.number for fault in these],
            found=[_short(fault.found) for fault in these],
            allowed="marks around a whole cell, or doubled inside one",
            fix="the mark was kept as a letter" if kept else "take the mark out of the line",
        )


def _short(text: str) -> str:
    text = " ".join(text.split())
    return repr(text if len(text) <= _SHOWN else text[:_SHOWN] + "...")
