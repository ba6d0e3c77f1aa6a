"""From a sheet and a layout to typed lines: every bad cell a finding, every good row kept.

A row is left out where its day, branch or status is not known, where it names nobody, or where it
is a test. Anything else that cannot be read (a price, an entry stamp) is not known, and said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.findings import Finding, row_findings
from forecast.sheets import Sheet, same_heading
from forecast.visits.exports import line_checks
from forecast.visits.exports.columns import ExportColumns
from forecast.visits.exports.layout import LENGTH, STATUSES, Layout
from forecast.visits.exports.lengths import plausible_lengths, told_lengths
from forecast.visits.exports.line_words import OTHER, LineWords
from forecast.visits.exports.marks_and_orders import day_orders, decimal_numbers
from forecast.visits.exports.questions import Question, refuse_while_asked
from forecast.visits.rules import earliest_day

_NUMBERS = ("quantity", "amount", LENGTH)
_TEXTS = ("visit", "vet", "note", "postcode", "client")
_WORDS_SHOWN = 8
_CHECKED = {"is_filled": "date", "is_day": "date", "told_apart": "patient"}


@dataclass
class Lines:
    """The lines of an export, typed.

    Attributes
    ----------
    rows
        Index: row number in the file. ``visit, branch, patient, vet, item, item_class, code, note,
        status, species, postcode, client`` (categories of text, "" where nothing is known),
        ``date`` and ``entered`` (datetime64[s]), ``quantity``, ``amount`` and ``minutes`` (float).
        ``item`` is the code where a line has no text; ``species`` is dog, other or "";
        ``status`` counts, voided or reopened; ``patient`` the number that stays.
    n_read, n_left_out
        Rows of the sheet, and those left out for a fault. Tests are no fault.
    tally
        How many lines were set apart otherwise, by reason.
    unmapped
        Lines of each item string that has no class, the most frequent first.
    """

    file: str
    rows: pd.DataFrame
    findings: list[Finding]
    n_read: int
    n_left_out: int
    tally: dict[str, int] = field(default_factory=dict)
    unmapped: pd.Series = field(default_factory=lambda: pd.Series(dtype=int))


def read_lines(sheet: Sheet, layout: Layout, *, branches: Mapping[str, str], today: date) -> Lines:
    """Read a sheet through a layout whose columns it has.

    Parameters
    ----------
    sheet, layout
        What was read, and what it means.
    branches
        Our branch ids and their names.
    today
        The last day that has begun; a later visit is a slip.

    Raises
    ------
    LayoutError
        If only a person can answer how the file is to be read; all open questions are in it.
    """
    columns = ExportColumns(sheet, layout)
    words = LineWords(columns, branches)
    typed = _Typed(columns, today)
    refuse_while_asked([*typed.questions, *words.questions()], layout)
    return _kept(columns, words, typed, today)


def open_questions(
    sheet: Sheet, layout: Layout, *, branches: Mapping[str, str], today: date
) -> list[Question]:
    """Return what only a person can answer before the sheet can be read."""
    columns = ExportColumns(sheet, layout)
    return [*_Typed(columns, today).questions, *LineWords(columns, branches).questions()]


class _Typed:
    """Days, stamps and numbers of an export, and what they ask."""

    def __init__(self, columns: ExportColumns, today: date) -> None:
        self._columns = columns
        days = columns.those_there("date", "entered")
        self._orders, self._apart, self.questions = day_orders(days, columns.layout, today)
        self._numbers, asked = decimal_numbers(
            columns.those_there(*_NUMBERS),
            columns.layout,
            is_workbook=not columns.sheet.encoding,
        )
        self.questions = [*self.questions, *asked]

    def moments(self, name: str) -> NDArray[np.datetime64]:
        """Return a column's moments [s]; not-a-time where there is none."""
        column = self._columns.column(name)
        if name not in self._apart:
            return np.full(len(column.codes), "NaT", dtype="datetime64[s]")
        zone = self._columns.layout.time_zone
        return np.take(self._apart[name].read(self._orders[name], zone=zone), column.codes)

    def numbers(self, name: str) -> NDArray[np.float64]:
        """Return a column's numbers; not-a-number where there is none."""
        column = self._columns.column(name)
        if name not in self._numbers:
            return np.full(len(column.codes), np.nan)
        return np.take(self._numbers[name], column.codes)

    def has_unplaced_zone(self) -> bool:
        """Say whether days come with an offset from UTC and no zone to tell them in."""
        return not self._columns.layout.time_zone and bool(self._apart["date"].has_zone.any())


def _kept(columns: ExportColumns, words: LineWords, typed: _Typed, today: date) -> Lines:
    sheet = columns.sheet
    frame = _frame(columns, words, typed)
    findings = list(sheet.findings)
    is_test, tally = _tests(columns, findings)
    bad = _faults(columns, frame, findings, today, ~is_test)
    places = np.flatnonzero(~(bad | is_test))
    kept = frame.iloc[places]
    for name in ("entered", *_NUMBERS):
        _unreadable(columns, kept, places, name, findings)
    kept = plausible_lengths(columns, kept, places, findings)
    kept = _no_stamps_ahead(columns, kept, findings, today)
    if typed.has_unplaced_zone():
        findings.append(
            _note(
                columns,
                "times with an offset from UTC",
                "the day was taken as it is written",
                f"for the day at the practice, write its time_zone in {columns.layout.file}",
            )
        )
    tally["lines of other species"] = _other_species(columns, kept, places, findings)
    tally["lines given to the patient number that stays"] = _merged(columns, places, findings)
    unmapped = kept.loc[(kept["item_class"] == "") & (kept["item"] != ""), "item"]
    counts = unmapped.cat.remove_unused_categories().value_counts().rename("lines")
    n_left_out = sheet.n_read - len(sheet.rows) + int(bad.sum())
    return Lines(sheet.file, kept, findings, sheet.n_read, n_left_out, tally, counts)


def _frame(columns: ExportColumns, words: LineWords, typed: _Typed) -> pd.DataFrame:
    """Return all rows, typed, the bad ones too."""
    item = columns.item()
    frame: dict[str, object] = {name: columns.text(name) for name in _TEXTS}
    frame |= {
        "date": typed.moments("date").astype("datetime64[D]").astype("datetime64[s]"),
        "entered": typed.moments("entered"),
        "branch": words.branch(),
        "patient": _stay(columns),
        "item": item,
        "item_class": words.item_class(item),
        "code": columns.text("code"),
        "quantity": typed.numbers("quantity"),
        "amount": typed.numbers("amount"),
        LENGTH: told_lengths(columns, typed.numbers(LENGTH)),
        "status": words.status(),
        "species": words.species(),
    }
    return pd.DataFrame(frame, index=columns.sheet.rows.index, copy=False)


def _stay(columns: ExportColumns) -> pd.Categorical:
    """Return the patient numbers that stay after the practice's merging."""
    merged = columns.layout.merged
    return columns.column("patient").translated(lambda number: merged.get(number, number))


def _tests(
    columns: ExportColumns, findings: list[Finding]
) -> tuple[NDArray[np.bool_], dict[str, int]]:
    """Return which rows are of test patients, and say how many of each."""
    words = {same_heading(word): word for word in columns.layout.test_patients}
    is_test = np.zeros(len(columns.sheet.rows), dtype=bool)
    counts = Counter[str]()
    for name in ("patient", "patient_name"):
        column = columns.column(name)
        found = column.holds(lambda text: same_heading(text) in words) & ~is_test
        counts.update(words[same_heading(cell)] for cell in column.cells(np.flatnonzero(found)))
        is_test |= found
    if counts:
        findings.append(_note(columns, "test patients left out", _listed(counts)))
    return is_test, {"lines of test patients": counts.total()}


def _faults(
    columns: ExportColumns,
    frame: pd.DataFrame,
    findings: list[Finding],
    today: date,
    judged: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Return which of the rows judged break a rule, with a finding for each row and rule."""
    checked = pd.DataFrame(
        {
            "date": frame["date"].to_numpy(),
            "is_filled": columns.column("date").holds(bool),
            "branch": (frame["branch"] != "").to_numpy(),
            "status": (frame["status"] != "").to_numpy(),
            "told_apart": ((frame["visit"] != "") | (frame["patient"] != "")).to_numpy(),
        }
    )
    bad = np.zeros(len(frame), dtype=bool)
    for (checked_column, rule), broken in line_checks.broken_rules(checked, today).items():
        places = broken[judged[broken]]
        bad[places] = True
        column = columns.column(_CHECKED.get(checked_column, checked_column))
        allowed, fix = _advice(rule, columns.layout, today)
        findings += row_findings(
            rule,
            "error",
            columns.sheet.file,
            column.heading,
            rows=frame.index[places].tolist(),
            found=[repr(cell) for cell in column.cells(places)],
            allowed=allowed,
            fix=fix,
        )
    return bad


def _advice(rule: str, layout: Layout, today: date) -> tuple[str, str]:
    """Say what is allowed and what to do about a broken rule."""
    return {
        line_checks.MISSING: ("a day", "fill it in"),
        line_checks.NO_DAY: (
            "a day of the calendar" + (f", {layout.day_order}" if layout.day_order else ""),
            "correct it in the system and export again",
        ),
        line_checks.FUTURE: (f"up to {today}", "correct it in the system and export again"),
        line_checks.TOO_OLD: (f"from {earliest_day()}", "correct it in the system"),
        line_checks.UNKNOWN_BRANCH: (
            "a word under [branches], a branch's id or name",
            f"say which branch it is under [branches] in {layout.file}",
        ),
        line_checks.UNKNOWN_STATUS: (
            ", ".join(STATUSES),
            f"say which of these it means under [statuses] in {layout.file}",
        ),
        line_checks.NOBODY: ("a visit number or a patient number", "fill one in"),
    }[rule]


def _unreadable(
    columns: ExportColumns,
    kept: pd.DataFrame,
    places: NDArray[np.intp],
    name: str,
    findings: list[Finding],
) -> None:
    """Say which cells of a column that may be unknown hold something that cannot be read."""
    column = columns.column(name)
    lost = np.flatnonzero(kept[name].isna().to_numpy() & column.holds(bool)[places])
    findings += row_findings(
        "not a number" if name in _NUMBERS else "not a time",
        "warning",
        columns.sheet.file,
        column.heading,
        rows=kept.index[lost].tolist(),
        found=[repr(cell) for cell in column.cells(places[lost])],
        fix="it is taken as not known",
    )


def _no_stamps_ahead(
    columns: ExportColumns, kept: pd.DataFrame, findings: list[Finding], today: date
) -> pd.DataFrame:
    """Forget entry stamps that lie ahead of the day the file is read."""
    ahead = kept["entered"] >= pd.Timestamp(today) + pd.Timedelta(days=1)
    if not ahead.any():
        return kept
    rows = kept.index[ahead]
    findings += row_findings(
        line_checks.FUTURE,
        "warning",
        columns.sheet.file,
        columns.column("entered").heading,
        rows=rows.tolist(),
        found=[str(stamp) for stamp in kept.loc[rows, "entered"]],
        allowed=f"up to {today}",
        fix="the entry stamp is taken as not known",
    )
    return kept.assign(entered=kept["entered"].mask(ahead))


def _other_species(
    columns: ExportColumns,
    kept: pd.DataFrame,
    places: NDArray[np.intp],
    findings: list[Finding],
) -> int:
    """Say which animals count as consultations only."""
    others = np.flatnonzero((kept["species"] == OTHER).to_numpy())
    if len(others):
        counts = Counter(columns.column("species").cells(places[others]))
        findings.append(
            _note(
                columns,
                "other species",
                f"{_listed(counts)}: counted as consultations, without a patient",
                f"words that mean dog stand under [species] in {columns.layout.file}",
            )
        )
    return len(others)


def _merged(columns: ExportColumns, places: NDArray[np.intp], findings: list[Finding]) -> int:
    """Say how many lines were moved to a patient number that stays."""
    moved = columns.column("patient").holds(lambda number: number in columns.layout.merged)
    n_moved = int(moved[places].sum())
    if n_moved:
        said = f"{n_moved} lines were given to the patient number that stays"
        findings.append(_note(columns, "merged patients", said))
    return n_moved


def _listed(counts: Counter[str]) -> str:
    shown = [f"{word!r} {n} lines" for word, n in counts.most_common(_WORDS_SHOWN)]
    return ", ".join(shown) + (", ..." if len(counts) > _WORDS_SHOWN else "")


def _note(columns: ExportColumns, check: str, found: str, fix: str = "") -> Finding:
    return Finding(check, "note", columns.sheet.file, None, None, found, "", fix)
