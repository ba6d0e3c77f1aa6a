"""What `forepaw import look` prints: the file, its columns and words, what would come of it."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from pathlib import Path

from forecast.visits.exports.export import GatheredExport
from forecast.visits.exports.layout import Layout
from forecast.visits.exports.looking import Look
from jobs.console import console, heading, new_table, paragraph, print_table

_DELIMITER_NAMES = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_ITEMS_SHOWN, _WORDS_SHOWN, _MERGED_SHOWN = 15, 12, 5
_LONGEST_CELL = 34


def show_look(seen: Look, written: Path | None, *, file: Path) -> None:
    """Print all of a look at a file; what must be answered stands last, where the eye ends."""
    _show_file(seen)
    if seen.layout is None:
        paragraph(
            "This file is already classified: it has the columns visit, date, branch, dog and "
            "kind, and needs no layout."
        )
        _show_next(seen, file)
        return
    _show_columns(seen, seen.layout, written)
    _show_words("Branches: the file's words and our ids", seen.layout.branches)
    _show_words("Statuses", seen.layout.statuses)
    _show_items(seen)
    if seen.export is not None:
        _show_outcome(seen.export)
    _show_findings(seen)
    _show_next(seen, file)


def _show_file(seen: Look) -> None:
    sheet = seen.sheet
    if sheet.encoding:
        delimiter = _DELIMITER_NAMES.get(sheet.delimiter, repr(sheet.delimiter))
        form = f"{sheet.encoding} text with {delimiter}"
    else:
        form = f"workbook, sheet {sheet.sheet!r}"
    heading(f"{sheet.file}")
    paragraph(f"{sheet.n_read:,} rows, {form}; headings in row {sheet.heading_row}.")


def _show_columns(seen: Look, layout: Layout, written: Path | None) -> None:
    if not seen.is_proposed:
        heading(f"Columns, as {layout.file} has them")
    elif written is None:
        heading("Columns, as they look")
    else:
        heading(f"Columns, as proposed in {layout.file}")
    table = new_table("what it is", "the file's heading", "for example")
    for name, column in layout.columns.items():
        example = seen.examples.get(name, "")
        table.add_row(name.replace("_", " "), column or "?", _short(example))
    print_table(table)
    if seen.unused:
        paragraph(f"Not used: {', '.join(seen.unused)}.", style="dim")
    said = [
        f"days are written {layout.day_order}" if layout.day_order else "",
        f"the decimal mark is {layout.decimal!r}" if layout.decimal else "",
        "a row is a visit" if layout.rows == "visits" else "a row is a line of an invoice",
    ]
    paragraph("; ".join(part for part in said if part).capitalize() + ".")


def _show_words(title: str, words: Mapping[str, str]) -> None:
    if not words:
        return
    heading(title)
    table = new_table("in the file", "means")
    for word, meaning in list(words.items())[:_WORDS_SHOWN]:
        table.add_row(_short(word), meaning or "? to be answered")
    print_table(table)
    if len(words) > _WORDS_SHOWN:
        paragraph(f"... and {len(words) - _WORDS_SHOWN} more", style="dim")


def _show_items(seen: Look) -> None:
    if not seen.items:
        return
    unmapped = [item for item in seen.items if not item.item_class]
    n_lines = sum(item.n_lines for item in seen.items)
    share = sum(item.n_lines for item in unmapped) / n_lines
    heading("Items, the most frequent first")
    table = new_table("lines", "in the file", "class")
    table.columns[0].justify = "right"
    for item in seen.items[:_ITEMS_SHOWN]:
        table.add_row(f"{item.n_lines:,}", _short(item.text), item.item_class or "not mapped")
    print_table(table)
    if unmapped:
        where = f"; give them a class under [items] in {seen.layout.file}" if seen.layout else ""
        paragraph(
            f"{len(unmapped)} of {len(seen.items)} strings are not mapped, on {share:.0%} of the "
            f"lines{where}. What is not mapped is not known, and never taken for something else."
        )


def _show_outcome(export: GatheredExport) -> None:
    visits = export.visits
    heading("What would come of it")
    named = visits.loc[visits["patient"] != "", "patient"]
    nobody = len(visits) - len(named)
    paragraph(
        f"{len(visits):,} visits of {named.nunique():,} dogs from {visits['date'].min():%Y-%m-%d} "
        f"to {visits['date'].max():%Y-%m-%d}"
        + (f"; {nobody:,} of them are no dog's and count as consultations only" if nobody else "")
        + f". {export.n_left_out:,} of {export.n_read:,} rows are left out."
    )
    apart = [f"{n:,} {reason}" for reason, n in export.tally.items() if n]
    if apart:
        paragraph(f"Set apart: {', '.join(apart)}.")


def _show_findings(seen: Look) -> None:
    if not seen.kinds:
        return
    heading("What the checks found")
    table = new_table("", "how many", "what", "the first one")
    table.columns[1].justify = "right"
    for kind in seen.kinds:
        row = "" if kind.first.row is None else f"row {kind.first.row}: "
        table.add_row(kind.severity, f"{kind.n:,}", kind.check, row + _short(kind.first.found))
    print_table(table)


def _show_next(seen: Look, file: Path) -> None:
    heading("Next")
    command = f"forepaw import visits {shlex.quote(str(file))}"
    if seen.perhaps_merged and seen.layout is not None:
        pairs = list(seen.perhaps_merged.items())
        shown = ", ".join(f"{up} and {stays}" for up, stays in pairs[:_MERGED_SHOWN])
        more = f" and {len(pairs) - _MERGED_SHOWN} more" if len(pairs) > _MERGED_SHOWN else ""
        paragraph(
            f"Perhaps one animal each, by owner and name: {shown}{more}. They are listed under "
            f"[merged] in {seen.layout.file}; uncomment those that are."
        )
    if seen.questions and seen.layout is not None:
        paragraph("Before this file can be read, a person must answer:", style="bold")
        for number, question in enumerate(seen.questions, start=1):
            paragraph(f"{number}. {question.asked(seen.layout)}")
        console.print(f"  Then: {command}", soft_wrap=True)
    else:
        console.print(f"  {command}", soft_wrap=True)


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST_CELL else text[: _LONGEST_CELL - 3] + "..."
