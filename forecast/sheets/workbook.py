"""Workbooks: the sheet that holds the table, its typed cells written as text without loss."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator, Sequence
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import islice
from typing import TYPE_CHECKING

from forecast.sheets.block import Block
from forecast.sheets.errors import SheetError
from forecast.sheets.heading import TOP_ROWS, same_heading
from forecast.sheets.packed import refuse_unsafe

if TYPE_CHECKING:
    from python_calamine import CalamineSheet, CalamineWorkbook

_ROWS_A_BLOCK = 20_000
_WHOLE = 1e15  # above it a workbook's numbers are no longer exact
PACKED = b"PK\x03\x04"  # a zip archive
COMPOUND = b"\xd0\xcf\x11\xe0"  # the older compound file


def is_workbook(content: bytes) -> bool:
    """Say whether the bytes begin as workbooks do."""
    return content.startswith((PACKED, COMPOUND))


def open_sheet(
    content: bytes, file: str, expected: Sequence[Collection[str]]
) -> tuple[CalamineSheet, list[str]]:
    """Return the sheet that holds the table, and the names of other sheets that hold something.

    It is the first visible sheet with one of the expected sets of headings in its top rows, else
    the longest.
    """
    filled = _filled_sheets(content, file)
    wanted = [{same_heading(name) for name in names} for names in expected]
    fitting = [sheet for sheet in filled if _holds(sheet, wanted)]
    chosen = fitting[0] if fitting else max(filled, key=lambda sheet: sheet.total_height)
    return chosen, [sheet.name for sheet in filled if sheet is not chosen]


def sheet_names(content: bytes, file: str) -> list[str]:
    """Return the names of the sheets of a workbook that hold something."""
    return [sheet.name for sheet in _filled_sheets(content, file)]


def _filled_sheets(content: bytes, file: str) -> list[CalamineSheet]:
    """Return the visible sheets that hold something; all of them where none is visible."""
    from python_calamine import SheetTypeEnum, SheetVisibleEnum

    book = _open(content, file)
    shown = [
        meta.name
        for meta in book.sheets_metadata
        if meta.typ is SheetTypeEnum.WorkSheet and meta.visible is SheetVisibleEnum.Visible
    ]
    sheets = [book.get_sheet_by_name(name) for name in shown or book.sheet_names]
    filled = [sheet for sheet in sheets if sheet.height]
    if not filled:
        raise SheetError(f"{file} is a workbook with nothing in it; export it again")
    return filled


def _open(content: bytes, file: str) -> CalamineWorkbook:
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError

    if content.startswith(PACKED):
        refuse_unsafe(content, file)
    try:
        return CalamineWorkbook.from_filelike(io.BytesIO(content))
    except PasswordError as error:
        raise SheetError(
            f"{file} is a workbook locked by a password; save it without one"
        ) from error
    except CalamineError as error:
        raise SheetError(
            f"{file} looks like a workbook and cannot be read as one ({error}); open it in a "
            "spreadsheet program and save it again, or save it as CSV UTF-8"
        ) from error


def _holds(sheet: CalamineSheet, wanted: Sequence[set[str]]) -> bool:
    for row in islice(sheet.iter_rows(), TOP_ROWS):
        here = {same_heading(as_text(cell)) for cell in row}
        if any(names and names <= here for names in wanted):
            return True
    return False


def workbook_blocks(sheet: CalamineSheet) -> Iterator[Block]:
    """Yield the rows of a sheet as text in blocks, numbered as the spreadsheet shows them."""
    rows, number = sheet.iter_rows(), 1
    while block := list(islice(rows, _ROWS_A_BLOCK)):
        yield Block(number, [[as_text(cell) for cell in row] for row in block], [], len(block))
        number += len(block)


def as_text(cell: object) -> str:
    """Write a typed cell as text: 12.0 as 12, a day as 2024-05-31, midnight left away."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return _number_text(cell)
    if isinstance(cell, datetime):
        return str(cell.date()) if cell.time() == time() else cell.isoformat(" ", "seconds")
    if isinstance(cell, timedelta):
        return str(cell.total_seconds())
    if isinstance(cell, date | time | int):
        return str(cell)
    return "" if cell is None else str(cell)


def _number_text(number: float) -> str:
    if number.is_integer() and abs(number) < _WHOLE:
        return str(int(number))
    return format(Decimal(repr(number)), "f")
