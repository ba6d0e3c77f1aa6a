"""The door for exports: the bytes of a file and the practice's layouts in, visits out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from forecast.findings import Finding
from forecast.sheets import Progress, SheetError, read_sheet
from forecast.visits.exports.gathering import gather
from forecast.visits.exports.layout import Layout, fitting
from forecast.visits.exports.lines import Lines, read_lines

_READING, _TYPING = 0.6, 0.75  # shares of the time, as a million lines took it


@dataclass(frozen=True)
class GatheredExport:
    """What came of an export.

    Attributes
    ----------
    visits
        A row a visit and patient, see `forecast.visits.exports.gathering.Gathered`.
    findings
        What every check said, row by row.
    n_read, n_left_out
        Rows of the file below its headings, and those left out for a fault.
    layout
        The layout it was read through.
    unmapped
        Lines of each item string that has no class, the most frequent first.
    tally
        Lines and visits that were set apart otherwise, by reason.
    """

    visits: pd.DataFrame
    findings: list[Finding]
    n_read: int
    n_left_out: int
    layout: Layout
    unmapped: pd.Series
    tally: Mapping[str, int] = field(default_factory=dict)


def read_export(
    content: bytes,
    name: str,
    *,
    layouts: Sequence[Layout],
    branches: Mapping[str, str],
    today: date,
    progress: Progress | None = None,
) -> GatheredExport:
    """Read a practice's export into visits; pure, nothing is written.

    Parameters
    ----------
    content, name
        The bytes of the file, and its name for sentences.
    layouts
        The practice's layouts, of which exactly one must fit.
    branches
        Our branch ids and their names.
    today
        The last day that has begun.
    progress
        Is told the share done, from 0 to 1.

    Raises
    ------
    SheetError
        If the file cannot be a table, or no row of it could be kept.
    LayoutError
        If no layout fits, or only a person can answer how to read the file.
    """
    tell = progress or _tell_nobody
    sheet = read_sheet(
        content,
        name,
        expected=[tuple(layout.columns.values()) for layout in layouts],
        progress=lambda share: tell(_READING * share),
    )
    layout = fitting(layouts, sheet.headings, name)
    lines = read_lines(sheet, layout, branches=branches, today=today)
    del sheet  # a long file's texts need not be held twice
    tell(_TYPING)
    done = gathered(lines, layout)
    tell(1.0)
    return done


def gathered(lines: Lines, layout: Layout) -> GatheredExport:
    """Gather lines that were read through a layout; see `read_export`."""
    if lines.rows.empty:
        raise _nothing_kept(lines)
    found = gather(lines)
    return GatheredExport(
        visits=found.visits,
        findings=[*lines.findings, *found.findings],
        n_read=lines.n_read,
        n_left_out=lines.n_left_out,
        layout=layout,
        unmapped=lines.unmapped,
        tally=lines.tally | found.tally,
    )


def _nothing_kept(lines: Lines) -> SheetError:
    first = next((f for f in lines.findings if f.severity == "error"), None)
    why = f"the first fault: {first.sentence}" if first else "all are of test patients"
    if not lines.n_read:
        return SheetError(f"{lines.file} holds headings and no rows; export it again")
    return SheetError(f"{lines.file}: none of its {lines.n_read} rows could be kept; {why}")


def _tell_nobody(share: float) -> None:
    """Take note of nothing: nobody asked for the progress."""
