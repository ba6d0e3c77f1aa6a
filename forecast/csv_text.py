"""Writing CSV text that a spreadsheet program opens without running anything in it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

# A cell that starts with one of these is run as a formula by spreadsheet programs; the last four
# are the full-width forms of the first, which some programs take for them.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\n", "＝", "＋", "－", "＠")  # noqa: RUF001


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return rows under their columns' names; a cell that could run as a formula is quoted."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_harmless(value) for value in row])
    return out.getvalue()


def _harmless(value: object) -> object:
    if not isinstance(value, str):
        return value
    # the writer leaves a carriage return bare, and what follows it would begin a row
    text = value.replace("\r\n", "\n").replace("\r", "\n")
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
