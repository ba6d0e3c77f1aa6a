"""Findings: what a check of somebody's file had to say, row by row.

A reader never stops at the first bad row: it leaves the row out, says so as a `Finding`, and goes
on. The same findings are printed by a command, shown on a page and kept as a file.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass, fields
from typing import Literal

from forecast.csv_text import csv_text

# error: the row was left out; warning: kept, but look at it; note: what was done, said aloud.
Severity = Literal["error", "warning", "note"]
# Findings of one kind that are listed row by row; nobody reads more, and each takes memory.
_MOST_LISTED: dict[Severity, int] = {"error": 100_000, "warning": 1_000, "note": 1_000}


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


def row_findings(
    check: str,
    severity: Severity,
    file: str,
    column: str | None,
    *,
    rows: Sequence[int],
    found: Sequence[str],
    allowed: str = "",
    fix: str = "",
) -> list[Finding]:
    """Return a finding for each row; where they are too many to be read, the last one counts them.

    `rows` and `found` go together.
    """
    most = _MOST_LISTED[severity]
    listed = [
        Finding(check, severity, file, row, column, text, allowed, fix)
        for row, text in zip(rows[:most], found[:most], strict=True)
    ]
    if len(rows) > most:
        more = f"{len(rows) - most} more rows, the last is row {rows[-1]}"
        listed.append(Finding(check, severity, file, None, column, more, allowed, fix))
    return listed


def n_errors(findings: Iterable[Finding]) -> int:
    """Count the findings that made a row stay out."""
    return sum(finding.severity == "error" for finding in findings)


def findings_csv(findings: Iterable[Finding]) -> str:
    """Return the findings as CSV text that a spreadsheet program opens without running anything."""
    columns = [field.name for field in fields(Finding)]
    return csv_text(columns, (astuple(finding) for finding in findings))
