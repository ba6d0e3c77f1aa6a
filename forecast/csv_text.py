"""Writing CSV text that a spreadsheet program opens without running anything in it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

# A cell that starts with one of these is run as a formula by spreadsheet programs.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return rows under their columns' names; a cell that could run as a formula is quoted."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_harmless(value) for value in row])
    return out.getvalue()


def _harmless(value: object) -> object:
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return "'" + value
    return value
