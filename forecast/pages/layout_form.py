"""The form in which a layout is edited: columns, the practice's words, item strings by frequency.

What is shown and what is read back meet here, so that neither can drift from the other. What the
form does not show (species, tests, merged patients) stays as it is; the text page edits those.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from forecast.pages.page import Asked
from forecast.sheets import same_heading
from forecast.visits.exports.layout import (
    COLUMNS,
    DAY_ORDERS,
    DECIMALS,
    ROWS,
    STATUSES,
    Layout,
    item_classes,
)
from forecast.visits.exports.proposing import LANGUAGES

ITEMS_A_PAGE = 50
_SPARE_ROWS = 2  # for words that no file held yet
_ABOUT = {
    "rows": "What a row is",
    "day_order": "How days are written",
    "decimal": "The mark in 12,5 or 12.5",
    "language": "Language of notes and items",
    "branch": "Branch, where no column tells it",
    "time_zone": "Time zone of times that end in Z or +01:00; else leave it empty",
}
_CHOICES: dict[str, tuple[str, ...]] = {
    "rows": ROWS,
    "day_order": ("", *DAY_ORDERS),
    "decimal": ("", *DECIMALS),
    "language": LANGUAGES,
}
_WORDS = {"lines": "a line of an invoice", "visits": "a visit", "en": "English", "de": "German"}


@dataclass(frozen=True)
class Choice:
    """A key at the top of a layout: its value, and what it may be; nothing given: any text."""

    key: str
    about: str
    value: str
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class ColumnRow:
    """One of our columns: the export's heading, and a cell of it."""

    name: str
    heading: str
    example: str
    must_be_there: bool


@dataclass(frozen=True)
class WordRow:
    """A word of the export and what it means; "" is a question."""

    word: str
    meaning: str


@dataclass(frozen=True)
class ItemRow:
    """An item string, how often it is seen, and its class; "" where it is not mapped."""

    text: str
    n: int
    item_class: str


@dataclass(frozen=True)
class LayoutForm:
    """A layout as it is shown and edited.

    Attributes
    ----------
    seen
        Hash of the text that is shown, so that a change by somebody else is noticed.
    headings
        The headings of the file at hand; none given: any text may be one.
    items, page, n_pages
        One page of the item strings, those not mapped first, the most frequent of them first.
    n_items, n_unmapped, unmapped_per_cent
        How many there are, how many are not mapped, and on what share of what was counted they
        stand; None where nothing was counted.
    counted
        What `ItemRow.n` counts: lines of a file, or visits on record.
    """

    file: str
    name: str
    seen: str
    choices: tuple[Choice, ...]
    columns: tuple[ColumnRow, ...]
    headings: tuple[str, ...]
    branches: tuple[WordRow, ...]
    branch_options: tuple[str, ...]
    statuses: tuple[WordRow, ...]
    status_options: tuple[str, ...]
    items: tuple[ItemRow, ...]
    item_options: tuple[tuple[str, str], ...]
    page: int
    n_pages: int
    n_items: int
    n_unmapped: int
    unmapped_per_cent: int | None
    counted: str


def seen_mark(text: str) -> str:
    """Return the hash by which a form knows the text that it was made from."""
    return hashlib.sha256(text.encode()).hexdigest()


def layout_form(
    layout: Layout,
    *,
    branch_ids: Collection[str],
    items: Mapping[str, int],
    counted: str,
    page: int = 1,
    headings: Sequence[str] = (),
    examples: Mapping[str, str] | None = None,
) -> LayoutForm:
    """Return the form of a layout.

    Parameters
    ----------
    items
        How often each item string is seen, of what `counted` says.
    page
        Which page of the items, from 1.
    headings, examples
        Of the file at hand, where there is one.
    """
    rows = _item_rows(layout, items)
    unmapped = [row for row in rows if not row.item_class]
    n_pages = max(1, -(-len(rows) // ITEMS_A_PAGE))
    at = min(max(1, page), n_pages)
    total = sum(row.n for row in rows)
    return LayoutForm(
        file=layout.file,
        name=layout.name,
        seen=seen_mark(layout.text),
        choices=_choices(layout, branch_ids),
        columns=_columns(layout, examples or {}),
        headings=tuple(headings),
        branches=_words(layout.branches),
        branch_options=tuple(branch_ids),
        statuses=_words(layout.statuses),
        status_options=STATUSES,
        items=tuple(rows[(at - 1) * ITEMS_A_PAGE : at * ITEMS_A_PAGE]),
        item_options=tuple(item_classes().items()),
        page=at,
        n_pages=n_pages,
        n_items=len(rows),
        n_unmapped=len(unmapped),
        unmapped_per_cent=round(100 * sum(row.n for row in unmapped) / total) if total else None,
        counted=counted,
    )


def _choices(layout: Layout, branch_ids: Collection[str]) -> tuple[Choice, ...]:
    found = []
    for key, about in _ABOUT.items():
        options = ("", *branch_ids) if key == "branch" else _CHOICES.get(key, ())
        value = str(getattr(layout, key))
        if options and value not in options:
            options = (*options, value)
        shown = tuple((one, _WORDS.get(one, one) or "not said") for one in options)
        found.append(Choice(key, about, value, shown))
    return tuple(found)


def _columns(layout: Layout, examples: Mapping[str, str]) -> tuple[ColumnRow, ...]:
    return tuple(
        ColumnRow(name, layout.columns.get(name, ""), examples.get(name, ""), name == "date")
        for name in COLUMNS
    )


def _words(words: Mapping[str, str]) -> tuple[WordRow, ...]:
    known = [WordRow(word, meaning) for word, meaning in words.items()]
    known.sort(key=lambda row: row.meaning != "")
    return (*known, *[WordRow("", "")] * _SPARE_ROWS)


def _item_rows(layout: Layout, items: Mapping[str, int]) -> list[ItemRow]:
    """Return the item strings that are seen, then those that the layout alone knows."""
    rows = [
        ItemRow(text, n, layout.item_lookup.get(same_heading(text), ""))
        for text, n in items.items()
    ]
    seen = {same_heading(text) for text in items}
    rows += [
        ItemRow(text, 0, kind)
        for text, kind in layout.items.items()
        if same_heading(text) not in seen
    ]
    return sorted(rows, key=lambda row: (row.item_class != "", -row.n, row.text))


# ------------------------------------------------------------------------------ reading it back
def changed_by(layout: Layout, asked: Asked) -> Layout:
    """Return a layout with what a person filled in; what the form did not hold stays.

    What is written is checked where it is kept, so that the sentence names the place.
    """
    given: dict[str, Any] = {
        key: asked.text(f"top.{key}") for key in _ABOUT if f"top.{key}" in asked.form
    }
    items = dict(layout.items)
    for word, kind in _pairs(asked, "item"):
        known = [text for text in items if same_heading(text) == same_heading(word)]
        for text in known:
            del items[text]
        if kind:
            items[word] = kind
    return replace(
        layout,
        **given,
        columns=_given_columns(layout, asked),
        branches=dict(_pairs(asked, "branch")) if _holds(asked, "branch") else layout.branches,
        statuses=dict(_pairs(asked, "status")) if _holds(asked, "status") else layout.statuses,
        items=items,
    )


def _given_columns(layout: Layout, asked: Asked) -> dict[str, str]:
    """Return the columns with a heading, and those that are still to be answered."""
    columns = {}
    for name in COLUMNS:
        held = layout.columns.get(name)
        if f"column.{name}" not in asked.form:
            heading = held
        else:
            heading = asked.text(f"column.{name}") or ("" if held == "" else None)
        if heading is not None:
            columns[name] = heading
    return columns


def _holds(asked: Asked, name: str) -> bool:
    return f"{name}_word.0" in asked.form


def _pairs(asked: Asked, name: str) -> list[tuple[str, str]]:
    """Return the words of a table of the form and what each was said to mean."""
    pairs, number = [], 0
    while f"{name}_word.{number}" in asked.form:
        word = asked.text(f"{name}_word.{number}")
        if word:
            pairs.append((word, asked.text(f"{name}.{number}")))
        number += 1
    return pairs
