"""How the plan's workbook looks: formats, cells, sentences over columns, sheets that print well."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

_NO_SHEET_NAME = re.compile(r"[\[\]:*?/\\]")
_LONGEST_NAME = 31
_LANDSCAPE_A4 = 9
SUMMARY_WIDTH, BRANCH_WIDTH = (9, 130), (6, 100)  # last column, letters of a line
LINE_POINTS = 15
_HEADING_LETTERS = 13  # of a line of a heading in the narrowest column
Cell = str | float | date | None


@dataclass(frozen=True)
class Looks:
    """The formats of a workbook."""

    title: Format
    heading: Format
    heading_number: Format
    text: Format
    small: Format
    day: Format
    number: Format
    whole: Format
    per_cent: Format
    likely: Format


def looks_of(book: xlsxwriter.Workbook) -> Looks:
    """Make the formats of a workbook."""
    wrapped = {"text_wrap": True, "valign": "top"}
    return Looks(
        title=book.add_format({"bold": True, "font_size": 14, **wrapped}),
        heading=book.add_format({"bold": True, "bottom": 1, **wrapped}),
        heading_number=book.add_format({"bold": True, "bottom": 1, "align": "right", **wrapped}),
        text=book.add_format(wrapped),
        small=book.add_format({"italic": True, "font_color": "#4e5b69", **wrapped}),
        day=book.add_format({"num_format": "ddd d mmm yyyy", "align": "left", "valign": "top"}),
        number=book.add_format({"num_format": "0.0", "valign": "top"}),
        whole=book.add_format({"num_format": "#,##0", "valign": "top"}),
        per_cent=book.add_format({"num_format": "0 %", "valign": "top"}),
        likely=book.add_format({"num_format": "0 %", "bold": True, "bg_color": "#fbf6d9"}),
    )


def sheet_name(name: str, taken: set[str]) -> str:
    """Return a name that a workbook allows and that no other sheet has."""
    plain = _NO_SHEET_NAME.sub(" ", name).strip("' ")[:_LONGEST_NAME] or "branch"
    made, number = plain, 2
    while made.casefold() in taken:
        ending = f" {number}"
        made, number = plain[: _LONGEST_NAME - len(ending)] + ending, number + 1
    taken.add(made.casefold())
    return made


def write(sheet: Worksheet, row: int, cells: Sequence[Cell], formats: Sequence[Format]) -> None:
    """Write cells from the first column on; text stays text, and what is not known is blank."""
    for at, (cell, shape) in enumerate(zip(cells, formats, strict=True)):
        if cell is None:
            sheet.write_blank(row, at, None, shape)
        elif isinstance(cell, str):
            sheet.write_string(row, at, cell, shape)
        elif isinstance(cell, date):
            sheet.write_datetime(row, at, cell, shape)
        else:
            sheet.write_number(row, at, cell, shape)


def tell(sheet: Worksheet, row: int, text: str, shape: Format, *, width: tuple[int, int]) -> None:
    """Write a sentence over the columns of a sheet, as high as it takes.

    `width` is the last column, and how many letters a line then holds.
    """
    last, letters = width
    sheet.merge_range(row, 0, row, last, "", shape)
    sheet.write_string(row, 0, text, shape)
    lines = -(-len(text) // letters)
    sheet.set_row(row, LINE_POINTS * lines + (LINE_POINTS if shape.bold else 0))


def headings(
    sheet: Worksheet, row: int, names: Sequence[str], looks: Looks, *, numbers: int = 0
) -> None:
    """Write a line of headings; the last `numbers` of them stand over numbers, at their right."""
    n_words = len(names) - numbers
    write(sheet, row, names, [looks.heading] * n_words + [looks.heading_number] * numbers)
    if any(len(name) > _HEADING_LETTERS for name in names[1:]):
        sheet.set_row(row, 2 * LINE_POINTS)


def printed(sheet: Worksheet, *, title_row: int | None = None) -> None:
    """Set a sheet up for paper; `title_row` stands on each page."""
    sheet.set_landscape()
    sheet.set_paper(_LANDSCAPE_A4)
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.5, right=0.5, top=0.6, bottom=0.6)
    sheet.set_footer("&L&A&RPage &P of &N")
    if title_row is not None:
        sheet.repeat_rows(title_row)


def spread(sheet: Worksheet, row: int, columns: tuple[int, int], text: str, shape: Format) -> None:
    """Write a text over some columns, the first and the last named."""
    first, last = columns
    if last > first:
        sheet.merge_range(row, first, row, last, "", shape)
    sheet.write_string(row, first, text, shape)
