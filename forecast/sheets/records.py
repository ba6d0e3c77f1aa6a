"""The records of a file one after the other, as cells and as they are written."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, islice

from forecast.sheets.block import Block
from forecast.sheets.delimited import SAMPLE_LINES, find_delimiter, read_blocks
from forecast.sheets.encoding import find_encoding
from forecast.sheets.workbook import is_workbook, open_sheet, workbook_blocks


@dataclass(frozen=True)
class TextRecord:
    """One record: its number as a spreadsheet shows it, its cells, and its text.

    A blank record has no cells, and so has one with a stray quotation mark that does not fit.
    """

    number: int
    cells: list[str]
    text: str


@dataclass(frozen=True)
class TextRecords:
    """The records of a file, which can be gone through more than once.

    Attributes
    ----------
    codec, errors
        How texts become bytes again.
    other_sheets
        Names of the sheets of a workbook that are not gone through.
    """

    content: bytes
    file: str
    codec: str
    errors: str
    other_sheets: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[TextRecord]:
        for block in self._blocks():
            texts = block.texts or [_as_line(cells) for cells in block.cells]
            for at, (cells, text) in enumerate(zip(block.cells, texts, strict=True)):
                yield TextRecord(block.first + at, cells, text)

    def _blocks(self) -> Iterator[Block]:
        if is_workbook(self.content):
            return workbook_blocks(open_sheet(self.content, self.file, ())[0])
        text = io.TextIOWrapper(
            io.BytesIO(self.content), encoding=self.codec, errors=self.errors, newline=""
        )
        lines: Iterator[str] = text
        sample = list(islice(lines, SAMPLE_LINES))
        return read_blocks(chain(sample, lines), find_delimiter(sample))


def text_records(content: bytes, file: str) -> TextRecords:
    """Return the records of a text file or of the table of a workbook.

    Records of a workbook become lines of CSV text in UTF-8.

    Raises
    ------
    SheetError
        If the bytes are neither.
    """
    if is_workbook(content):
        return TextRecords(
            content, file, "utf-8-sig", "strict", tuple(open_sheet(content, file, ())[1])
        )
    encoding = find_encoding(content, file)
    return TextRecords(content, file, encoding.codec, encoding.errors)


def _as_line(cells: list[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue()
