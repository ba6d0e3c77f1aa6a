"""How long each visit took, where an export says: in minutes, or when it began and ended.

A length that is not said, or cannot be one, is not known and never zero: the visit counts all the
same, and what was wrong is said of its row.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.findings import Finding, row_findings
from forecast.visits.exports.columns import Column, ExportColumns
from forecast.visits.exports.layout import LENGTH
from forecast.visits.exports.line_arrays import export_rules
from forecast.visits.exports.written_days import day_and_clock

BEGINS, ENDS = "begins", "ends"
IMPLAUSIBLE = "implausible length of a visit"
NO_LENGTH = "no length between begin and end"
_FIX = "the length is taken as not known, the visit counts"
_MINUTE = 60.0  # seconds
Minutes = NDArray[np.float64]


def length_limits() -> tuple[float, float]:
    """Return the least and the most minutes that a visit is believed to have taken."""
    rules = export_rules()
    return rules.number("visit_length.least"), rules.number("visit_length.most")


def told_lengths(columns: ExportColumns, numbers: Minutes) -> Minutes:
    """Return the minutes of each row, not-a-number where no length is told.

    `numbers` are those of the column of minutes, which counts before begin and end; there a time
    such as 0:20 is read as hours and minutes. Begin and end are times of day, with or without
    their day; where only one of them has a day, or it is another, nothing is told.
    """
    column = columns.column(LENGTH)
    hours = np.array([day_and_clock(text) for text in column.texts], dtype=object)
    clock = np.array([_minutes(seconds) if not day else np.nan for day, seconds in hours])
    found = np.where(np.isnan(numbers), np.take(clock, column.codes), numbers)
    begins, ends = (columns.column(name) for name in (BEGINS, ENDS))
    (day, begun), (same, ended) = _apart(begins), _apart(ends)
    between = np.where(day == same, ended - begun, np.nan)
    return np.asarray(np.where(np.isnan(found), between, found), dtype=np.float64)


def _minutes(seconds: int | None) -> float:
    return np.nan if seconds is None else seconds / _MINUTE


def _apart(column: Column) -> tuple[NDArray[np.object_], Minutes]:
    """Return each row's day as it is written ("" where none is) and its time of day [min]."""
    parts = [day_and_clock(text) for text in column.texts]
    days = np.array([day for day, _ in parts], dtype=object)
    clocks = np.array([_minutes(seconds) for _, seconds in parts], dtype=np.float64)
    return np.take(days, column.codes), np.take(clocks, column.codes)


def plausible_lengths(
    columns: ExportColumns,
    kept: pd.DataFrame,
    places: NDArray[np.intp],
    findings: list[Finding],
) -> pd.DataFrame:
    """Return the rows with lengths that can be believed, and say of the others what they told.

    `places` are the positions of the rows `kept` in the sheet.
    """
    minutes = kept[LENGTH].to_numpy()
    least, most = length_limits()
    bad = np.flatnonzero((minutes < least) | (minutes > most))
    findings += implausible(
        columns.sheet.file, _heading(columns), kept.index[bad].tolist(), minutes[bad].tolist()
    )
    begins, ends = (columns.column(name) for name in (BEGINS, ENDS))
    told = begins.holds(bool)[places] & ends.holds(bool)[places]
    lost = np.flatnonzero(np.isnan(minutes) & told)
    both = zip(begins.cells(places[lost]), ends.cells(places[lost]), strict=True)
    findings += row_findings(
        NO_LENGTH,
        "warning",
        columns.sheet.file,
        ends.heading,
        rows=kept.index[lost].tolist(),
        found=[f"{one!r} to {other!r}" for one, other in both],
        allowed="two times of one day, such as 09:05 and 09:25",
        fix=_FIX,
    )
    minutes = minutes.copy()
    minutes[bad] = np.nan
    return kept.assign(**{LENGTH: minutes})


def _heading(columns: ExportColumns) -> str:
    name = LENGTH if LENGTH in columns.layout.columns else ENDS
    return columns.column(name).heading


def implausible(
    file: str, column: str, rows: Sequence[Any], minutes: Sequence[float]
) -> list[Finding]:
    """Say of rows whose length cannot be one what it was, and what is allowed."""
    least, most = length_limits()
    return row_findings(
        IMPLAUSIBLE,
        "warning",
        file,
        column,
        rows=rows,
        found=[f"{number:g} minutes" for number in minutes],
        allowed=f"{least:g} to {most:g} minutes, or nothing",
        fix=_FIX,
    )
