"""Proposing a layout for an export that none fits, from its headings' words and its cells.

Only what is sure is filled in. What a person must say is left as an empty answer with a question;
items are classed where plain words settle it, and left unmapped otherwise.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.sheets import Sheet, same_heading
from forecast.visits.exports.columns import Column, ExportColumns
from forecast.visits.exports.layout import COLUMNS, Layout
from forecast.visits.exports.written_days import day_and_clock, take_apart
from forecast.visits.exports.written_numbers import read_numbers
from models.parameters import load_table

LANGUAGES = ("en", "de")
_SAMPLE = 2_000  # distinct cells of a column that are looked at
_MOST, _HALF = 0.6, 0.5  # shares of them; a heading has its say too
_FEW = {"status": 30, "branch": 500, "species": 300}  # distinct words such a column may hold
_UNMAPPED_LISTED = 500
_NEAR = 0.6  # how like a branch's name a word must be to be mentioned
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])")  # in VisitKey
_DIGIT = re.compile(r"\d")


@dataclass(frozen=True)
class Proposal:
    """A layout as far as the file tells, comments for its text, and headings of no use."""

    layout: Layout
    missing: tuple[str, ...]
    remarks: Mapping[tuple[str, ...], str] = field(default_factory=dict)
    unmapped: Mapping[str, int] = field(default_factory=dict)
    perhaps_merged: Mapping[str, str] = field(default_factory=dict)


def propose(sheet: Sheet, *, branches: Mapping[str, str], today: date) -> Proposal:
    """Propose a layout for a sheet.

    `missing` of the answer are columns that a layout must name and that were not found.
    """
    columns, language = _columns(sheet, today)
    seen = ExportColumns(sheet, Layout("", columns))
    remarks: dict[tuple[str, ...], str] = {}
    items = line_counts(seen.item())
    classes = {text: found for text in items if (found := class_by_words(text))}
    layout = Layout(
        name=Path(sheet.file).stem,
        columns=columns,
        rows=_rows(seen),
        language=language,
        branches=dict(_branches(seen, branches, remarks)),
        statuses=dict(_statuses(seen)),
        test_patients=_tests(seen),
        items=classes,
    )
    layout = _with_proofs(layout, seen, today)
    left = {text: n for text, n in items.items() if text not in classes}
    missing = [name for name in ("date", "patient") if name not in columns]
    if "visit" in columns and "patient" in missing:
        missing.remove("patient")
    return Proposal(
        layout,
        tuple(missing),
        remarks,
        dict(list(left.items())[:_UNMAPPED_LISTED]),
        _perhaps_one_animal(seen),
    )


# ------------------------------------------------------------------------------------- columns
def _columns(sheet: Sheet, today: date) -> tuple[dict[str, str], str]:
    """Return our columns by heading, and the language most headings are in."""
    candidates = sorted(_candidates(sheet), key=lambda found: (-found[0], COLUMNS.index(found[1])))
    columns: dict[str, str] = {}
    languages = dict.fromkeys(LANGUAGES, 0)
    for _, name, heading, language in candidates:
        if name in columns or heading in columns.values():
            continue
        if _could_be(name, _cells(sheet, heading), today):
            columns[name] = heading
            languages[language] += 1
    if "date" not in columns:
        written = {h: take_apart(_cells(sheet, h)).is_written_as_day for h in sheet.headings}
        days = [h for h, is_day in written.items() if len(is_day) and is_day.mean() >= _MOST]
        free = [heading for heading in days if heading not in columns.values()]
        if len(free) == 1:
            columns["date"] = free[0]
    in_order = {name: columns[name] for name in COLUMNS if name in columns}
    return in_order, max(LANGUAGES, key=lambda language: languages[language])


def _with_proofs(layout: Layout, seen: ExportColumns, today: date) -> Layout:
    """Put in the order of days and the decimal mark where a column proves them."""
    days = [take_apart(column.texts) for column in seen.those_there("date", "entered").values()]
    orders = [proved for written in days if (proved := written.proof(today).proved)]
    numbers = seen.those_there("quantity", "amount").values()
    marks = [proved for column in numbers if (proved := read_numbers(column.texts).proved)]
    return replace(
        layout,
        day_order=orders[0] if orders else "",
        decimal=marks[0] if marks and seen.sheet.encoding else "",
    )


def _candidates(sheet: Sheet) -> Iterator[tuple[float, str, str, str]]:
    """Yield score, our name, heading and language; a whole heading counts above a part of one."""
    for heading in sheet.headings:
        text = plain_words(_HUMP.sub(" ", heading))
        for key, phrases in _table("headings").items():
            name, _, language = key.partition(".")
            if text in phrases:
                yield 2.0, name, heading, language
            else:
                inside = [phrase for phrase in phrases if f" {phrase} " in f" {text} "]
                if inside:
                    # the last word of a heading says what it is, those before it of whom
                    last = any(text.endswith(phrase) for phrase in inside)
                    share = max(map(len, inside)) / max(len(text), 1)
                    yield last + share / 2, name, heading, language


def _cells(sheet: Sheet, heading: str) -> list[str]:
    texts = [str(text) for text in sheet.rows[heading].array.categories if text]
    return texts[:: max(1, len(texts) // _SAMPLE)]


def _could_be(name: str, cells: list[str], today: date) -> bool:
    """Say whether a column's cells can be what its heading says; without cells, who knows."""
    if not cells:
        return name not in ("date", "patient")
    if name in _FEW:
        return len(cells) <= _FEW[name]
    check = _CHECKS.get(name)
    return check is None or check(cells, today)


def _are_days(cells: list[str], today: date) -> bool:
    written = take_apart(cells)
    n_days = int((written.is_written_as_day | written.is_serial).sum())
    return n_days >= _MOST * len(cells)


def _are_numbers(cells: list[str], today: date) -> bool:
    comma, point = read_numbers(cells).with_mark.values()
    n_read = int((np.isfinite(comma) | np.isfinite(point)).sum())
    return n_read >= _MOST * len(cells)


def _are_times(cells: list[str], today: date) -> bool:
    n_read = sum(day_and_clock(cell)[1] is not None for cell in cells)
    return n_read >= _MOST * len(cells)


def _are_lengths(cells: list[str], today: date) -> bool:
    return _are_numbers(cells, today) or _are_times(cells, today)


def _hold_digits(cells: list[str], today: date) -> bool:
    return sum(bool(_DIGIT.search(cell)) for cell in cells) >= _HALF * len(cells)


def _hold_names(cells: list[str], today: date) -> bool:
    return not _hold_digits(cells, today)


_CHECKS: dict[str, Callable[[list[str], date], bool]] = {
    "date": _are_days,
    "entered": _are_days,
    "quantity": _are_numbers,
    "amount": _are_numbers,
    "minutes": _are_lengths,
    "begins": _are_times,
    "ends": _are_times,
    "visit": _hold_digits,
    "patient": _hold_digits,
    "client": _hold_digits,
    "postcode": _hold_digits,
    "patient_name": _hold_names,
    "client_name": _hold_names,
}


def _rows(seen: ExportColumns) -> str:
    """Say whether a row is a line or a visit: a visit number that comes again tells."""
    if "item" in seen.layout.columns:
        return "lines"
    visit = seen.column("visit")
    return "visits" if len(visit.texts) > _MOST * len(visit.codes) else "lines"


# --------------------------------------------------------------------------------------- words
def plain_words(text: str) -> str:
    """Return a text as words in lower case, without signs."""
    return " ".join(re.findall(r"[^\W_]+", text.casefold()))


@cache
def _table(group: str) -> dict[str, tuple[str, ...]]:
    table = load_table("forecast.visits.exports", "looking_words.toml").group(group)
    return {
        name: tuple(plain_words(word) for word in cast(list[str], parameter.value))
        for name, parameter in table.items()
    }


@cache
def class_by_words(item: str) -> str:
    """Return the class that plain words settle for an item; empty where they do not."""
    words = plain_words(item).split()
    best: dict[str, int] = {}
    for name, phrases in _table("items").items():
        lengths = [len(phrase.split()) for phrase in phrases if _begins(phrase.split(), words)]
        if lengths:
            best[name] = max(lengths)
    longest = [name for name, length in best.items() if length == max(best.values())]
    return longest[0] if len(longest) == 1 else ""


def _begins(phrase: list[str], words: list[str]) -> bool:
    return all(any(word.startswith(part) for word in words) for part in phrase)


def line_counts(column: pd.Categorical) -> dict[str, int]:
    """Return the texts of a column by how many rows hold them, the most frequent first."""
    counts = np.bincount(column.codes, minlength=len(column.categories))
    order = sorted(range(len(counts)), key=lambda at: (-counts[at], column.categories[at]))
    return {str(column.categories[at]): int(counts[at]) for at in order if column.categories[at]}


def _branches(
    seen: ExportColumns, branches: Mapping[str, str], remarks: dict[tuple[str, ...], str]
) -> Iterator[tuple[str, str]]:
    """Yield each word for a branch with our id; a word that is merely like one is asked."""
    words = list(line_counts(seen.text("branch")))
    known = {same_heading(name): branch for branch, name in branches.items()}
    known |= {same_heading(branch): branch for branch in branches}
    for word in words:
        branch = known.get(same_heading(word), "")
        if not branch and len(branches) == 1 and len(words) == 1:
            branch = next(iter(branches))
        if not branch:
            near = difflib.get_close_matches(same_heading(word), known, n=1, cutoff=_NEAR)
            hint = f"; nearest is {known[near[0]]}" if near else ""
            remarks["branches", word] = f"which of {', '.join(branches)}?{hint}"
        yield word, branch


def _statuses(seen: ExportColumns) -> Iterator[tuple[str, str]]:
    for word in line_counts(seen.text("status")):
        plain = plain_words(word)
        yield word, next((name for name, known in _table("statuses").items() if plain in known), "")


def _tests(seen: ExportColumns) -> tuple[str, ...]:
    """Return patients whose number or name says that they are none."""
    texts = [text for name in ("patient", "patient_name") for text in seen.column(name).texts]
    tests = {same_heading(t): t for t in texts if plain_words(t).split()[:1] == ["test"]}
    return tuple(sorted(tests.values()))


def _perhaps_one_animal(seen: ExportColumns) -> dict[str, str]:
    """Return numbers that share an owner and a name, with the one that most lines have."""
    if not {"patient", "patient_name", "client"} <= set(seen.layout.columns):
        return {}
    parts = [_of_rows(seen.column(name)) for name in ("client", "patient_name", "patient")]
    frame = pd.DataFrame(dict(zip(("client", "name", "patient"), parts, strict=True)))
    counts = frame[(frame != "").all(axis=1)].value_counts().reset_index()
    counts = counts[counts.duplicated(["client", "name"], keep=False)]
    found: dict[str, str] = {}
    for _, group in counts.groupby(["client", "name"], sort=False, observed=True):
        first, *others = group.sort_values(["count", "patient"], ascending=[False, True])["patient"]
        found |= dict.fromkeys(map(str, others), str(first))
    return found


def _of_rows(column: Column) -> NDArray[np.object_]:
    return np.take(np.array(column.texts, dtype=object), column.codes)
