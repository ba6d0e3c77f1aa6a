"""Findings: what a check of somebody's file had to say, row by row.

A reader never stops at the first bad row: it leaves the row out, says so as a `Finding`, and goes
on. The same findings are printed by a command, shown on a page and kept as a file.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields
from typing import Literal

# error: the row was left out; warning: kept, but look at it; note: what was done, said aloud.
Severity = Literal["error", "warning", "note"]

# A cell that starts with one of these is run as a formula by spreadsheet programs.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Finding:
    """One thing a check found: where it is, what was found, what is allowed, what to do."""

    check: str
    severity: Severity
    file: str
    row: int | None
    column: str | None
    found: str
    allowed: str
    fix: str

    @property
    def sentence(self) -> str:
        """The finding as one sentence."""
        place = self.file
        if self.row is not None:
            place += f" row {self.row}"
        if self.column is not None:
            place += f" column {self.column}"
        tail = f"; {self.fix}" if self.fix else ""
        allowed = f"; allowed: {self.allowed}" if self.allowed else ""
        return f"{place}: {self.check}: {self.found}{allowed}{tail}"


def n_errors(findings: Iterable[Finding]) -> int:
    """Count the findings that made a row stay out."""
    return sum(finding.severity == "error" for finding in findings)


def findings_csv(findings: Iterable[Finding]) -> str:
    """Return the findings as CSV text that a spreadsheet program opens without running anything."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([field.name for field in fields(Finding)])
    for finding in findings:
        writer.writerow([_harmless(value) for value in astuple(finding)])
    return out.getvalue()


def _harmless(value: object) -> object:
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return "'" + value
    return value
