"""Layouts: which column of an export is what, and what the practice's own words in it mean.

A layout is a TOML file that the practice keeps, one for each system it exports from. A question
that no file can answer (is 03/04 in March or in April?) is answered there, by a person.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from forecast.sheets import same_heading
from forecast.toml_text import broken_toml, did_you_mean, line_of
from models.errors import ForepawError
from models.parameters import load_table

COLUMNS = (
    *("visit", "date", "entered", "branch", "patient", "vet", "item", "code", "quantity", "amount"),
    *("note", "status", "species", "postcode", "client", "patient_name", "client_name"),
    *("minutes", "begins", "ends"),
)
ROWS = ("lines", "visits")
SERIAL = "serial"
DAY_ORDERS = ("day month year", "month day year", "year month day", SERIAL)
DECIMALS = (",", ".")
COUNTS, VOIDED, REOPENED = STATUSES = ("counts", "voided", "reopened")
ALREADY_CLASSIFIED = ("visit", "date", "branch", "dog", "kind")  # our own format needs no layout
LENGTH = "minutes"  # which it may have besides
# What each key at the top may be; None: any text.
_TOP: dict[str, Collection[str] | None] = {
    "name": None,
    "rows": ROWS,
    "day_order": (*DAY_ORDERS, ""),
    "decimal": (*DECIMALS, ""),
    "language": None,
    "time_zone": None,
    "branch": None,
}
_LISTS = {"patients": "test", "species": "dog"}
_TABLES = ("columns", "branches", "statuses", "merged", "items")
MEANT = {"date": "the day of the visit", "patient": "the patient's number"}
_LONGEST_NAME = 60  # letters of a layout's file name
_PRIVATE_FOLDER = 0o700
_PRIVATE_FILE = 0o600  # merged and test patients are numbers of the practice


class LayoutError(ForepawError):
    """A layout cannot be used as it stands, or none fits a file."""


@dataclass(frozen=True)
class Layout:
    """What an export's columns and words mean; see the comments that `layout_text` writes.

    Attributes
    ----------
    columns
        Our name to the export's heading.
    day_order, decimal
        As answered by a person or proved; empty where no file needed them yet.
    branches, statuses
        The export's word to our branch id and to counts, voided or reopened; an empty value is a
        question not answered yet.
    merged
        The patient number that was given up to the one that stays, chains followed to their end.
    file, text
        Where it is kept, as said in sentences, and what stands there.
    """

    name: str
    columns: Mapping[str, str]
    rows: str = "lines"
    day_order: str = ""
    decimal: str = ""
    language: str = "en"
    time_zone: str = ""
    branch: str = ""
    branches: Mapping[str, str] = field(default_factory=dict)
    statuses: Mapping[str, str] = field(default_factory=dict)
    dog_words: tuple[str, ...] = ()
    test_patients: tuple[str, ...] = ()
    merged: Mapping[str, str] = field(default_factory=dict)
    items: Mapping[str, str] = field(default_factory=dict)
    file: str = ""
    text: str = field(default="", compare=False, repr=False)

    def place(self, section: str, key: str = "") -> str:
        """Say where in its file a key stands, or its table."""
        line = line_of(self.text, (section, key) if key else (section,))
        return self.file if line is None else f"{self.file} line {line}"

    @cached_property
    def item_lookup(self) -> dict[str, str]:
        """The practice's item strings, as they are compared, to their classes."""
        return {same_heading(word): kind for word, kind in self.items.items()}

    def missing(self, headings: Iterable[str]) -> list[str]:
        """Return the headings that this layout names and a file has not."""
        there = {same_heading(heading) for heading in headings}
        return [name for name in self.columns.values() if name and same_heading(name) not in there]

    def fits(self, headings: Iterable[str]) -> bool:
        """Say whether a file has every heading that was answered, if any was."""
        return any(self.columns.values()) and not self.missing(headings)

    @property
    def open_columns(self) -> list[str]:
        """Columns of which the heading is still to be answered; those that must be there first."""
        needed = ["date", *(["patient"] if "visit" not in self.columns else [])]
        return [
            name for name in dict.fromkeys((*needed, *self.columns)) if not self.columns.get(name)
        ]

    def column_question(self, column: str) -> str:
        """Say what a person must answer of a column, and where."""
        why = f"[columns] {column} has no heading; write the heading that the export gives "
        if column == "patient":
            why += (
                f"{MEANT[column]}, or, if it has none, take the line out and name visit, the "
                "number of the visit or invoice"
            )
        else:
            why += MEANT.get(column, "it, or take the line out")
        return f"{self.place('columns', column)}: {why}"


@cache
def item_classes() -> dict[str, str]:
    """Return the classes an item can have, each with what it means."""
    table = load_table("forecast.visits.exports", "item_classes.toml")
    return {name: str(parameter.value) for name, parameter in table.parameters.items()}


def parse_layout(text: str, file: str) -> Layout:
    """Read a layout; the refusal is one sentence with the line, what is allowed and what to do."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise LayoutError(broken_toml(file, str(error))) from error
    check = LayoutChecks(text, file)
    check.keys((), tree, [*_TOP, *_LISTS, *_TABLES])
    top: dict[str, Any] = {
        key: check.word((key,), tree[key], allowed) for key, allowed in _TOP.items() if key in tree
    }
    tables: dict[str, Any] = {name: check.table(name, tree.get(name, {})) for name in _TABLES}
    lists = {name: check.words(name, key, tree.get(name, {})) for name, key in _LISTS.items()}
    check.meanings(top, tables)
    return Layout(
        name=top.pop("name", "") or Path(file).stem,
        **top,
        **(tables | {"merged": _followed(tables["merged"], check)}),
        test_patients=lists["patients"],
        dog_words=lists["species"],
        file=file,
        text=text,
    )


class LayoutChecks:
    """The checks of one layout file, of visits or of patients; each raises with the line."""

    def __init__(self, text: str, file: str) -> None:
        self._text, self._file = text, file

    def refuse(self, location: tuple[str, ...], what: str) -> LayoutError:
        """Build the refusal of what stands at a place."""
        line = line_of(self._text, location)
        place = self._file if line is None else f"{self._file} line {line}"
        return LayoutError(f"{place}: {what}")

    def keys(self, above: tuple[str, ...], node: Mapping[str, Any], allowed: Sequence[str]) -> None:
        """Refuse a key that is no part of a layout."""
        for key in node:
            if key not in allowed:
                hint = did_you_mean(key, allowed) or f"; allowed are {', '.join(allowed)}"
                where = f"[{above[0]}] {key}" if above else key
                raise self.refuse((*above, key), f"{where} is no part of a layout{hint}")

    def word(self, location: tuple[str, ...], value: Any, allowed: Collection[str] | None) -> str:
        """Return a text, one of those allowed; None allows any."""
        name = location[0] if len(location) == 1 else f"[{location[0]}] {location[1]!r}"
        if not isinstance(value, str):
            raise self.refuse(location, f"{name} is {value!r}; write a text in quotation marks")
        if allowed is not None and value not in allowed:
            named = [repr(word) for word in allowed if word]
            hint = did_you_mean(value, allowed) or f"; allowed are {', '.join(named)}"
            raise self.refuse(location, f"{name} is {value!r}, which is not known{hint}")
        return value

    def table(self, name: str, node: Any) -> dict[str, str]:
        """Return a table of texts."""
        if not isinstance(node, dict):
            raise self.refuse((name,), f"{name} must be a table; write [{name}] and lines below it")
        return {key: self.word((name, key), value, None) for key, value in node.items()}

    def words(self, name: str, key: str, node: Any) -> tuple[str, ...]:
        """Return a list of texts under a key of a table."""
        if not isinstance(node, dict):
            raise self.refuse((name,), f"{name} must be a table; write [{name}] and lines below it")
        self.keys((name,), node, [key])
        value = node.get(key, [])
        if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
            raise self.refuse(
                (name, key), f'[{name}] {key} must be a list such as ["one", "another"]'
            )
        return tuple(value)

    def meanings(self, top: Mapping[str, str], tables: Mapping[str, Mapping[str, str]]) -> None:
        """Check what stands for one of our own words."""
        columns = tables["columns"]
        self.keys(("columns",), columns, COLUMNS)
        headings: dict[str, str] = {}
        for name, heading in columns.items():
            if not heading:
                continue
            other = headings.setdefault(same_heading(heading), name)
            if other != name:
                raise self.refuse(
                    ("columns", name),
                    f"[columns] {name} and {other} are both {heading!r}; leave one out",
                )
        for word, meaning in tables["statuses"].items():
            self.word(("statuses", word), meaning, (*STATUSES, ""))
        for word, kind in tables["items"].items():
            self.word(("items", word), kind, tuple(item_classes()))
        zone = top.get("time_zone", "")
        if zone and zone not in available_timezones():
            hint = did_you_mean(zone, sorted(available_timezones()))
            raise self.refuse(("time_zone",), f"time_zone is {zone!r}, which is none{hint}")


def _followed(merged: Mapping[str, str], check: LayoutChecks) -> dict[str, str]:
    """Follow each number that was given up to the one that stays."""
    final = {}
    for start in merged:
        path = [start]
        while path[-1] in merged:
            following = merged[path[-1]]
            if not following or following in path:
                loop = " -> ".join(repr(number) for number in (*path, following))
                raise check.refuse(
                    ("merged", path[-1]),
                    f"[merged] {loop} ends at no patient; say which number stays",
                )
            path.append(following)
        final[start] = path[-1]
    return final


def load_layouts(folder: Path) -> list[Layout]:
    """Read every layout of a folder, in the order of their names; none where it is not there."""
    found = []
    for path in sorted(folder.glob("*.toml")):
        name = f"{folder.name}/{path.name}"
        try:
            found.append(parse_layout(path.read_text(encoding="utf-8"), name))
        except UnicodeDecodeError as error:
            raise LayoutError(
                f"{name} is not UTF-8 text (byte {error.start}); save it as UTF-8"
            ) from error
    return found


def layout_called(layouts: Sequence[Layout], name: str) -> Layout:
    """Return the layout of that file name or name; the error names the nearest ones."""
    by_name = {layout.name: layout for layout in layouts}
    by_name |= {Path(layout.file).stem: layout for layout in layouts}
    if name not in by_name:
        hint = did_you_mean(name, by_name) or f"; there are {', '.join(by_name) or 'none yet'}"
        raise LayoutError(f"the layout {name!r} was asked for, which is not there{hint}")
    return by_name[name]


def free_layout_file(folder: Path, file: str) -> Path:
    """Return a path for the layout of a file's exports that is not taken."""
    words = re.findall(r"[^\W_]+", Path(file).stem.casefold())
    stem = "-".join(words)[:_LONGEST_NAME] or "export"
    path, number = folder / f"{stem}.toml", 1
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}.toml"
    return path


def save_layout(path: Path, text: str) -> None:
    """Write a new layout; one that is there is never written over."""
    path.parent.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE)
    except FileExistsError as error:
        raise LayoutError(
            f"{path} came to be meanwhile and is not written over; look at the file again"
        ) from error
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(text)


def is_already_classified(headings: Iterable[str]) -> bool:
    """Say whether a file is of our own format, which needs no layout."""
    return set(ALREADY_CLASSIFIED) <= {same_heading(heading) for heading in headings}


def fitting(layouts: Sequence[Layout], headings: Sequence[str], file: str) -> Layout:
    """Return the one layout whose columns a file has.

    Raises
    ------
    LayoutError
        If none fits, or more than one does, or the only one leaves a column to be answered.
    """
    fit = [layout for layout in layouts if layout.fits(headings)]
    found = [layout for layout in fit if not layout.open_columns]
    if len(found) == 1:
        return found[0]
    if fit and not found:
        raise LayoutError(fit[0].column_question(fit[0].open_columns[0]))
    if found:
        names = ", ".join(layout.file for layout in found)
        raise LayoutError(
            f"{file} fits more than one layout ({names}); say which one with --layout NAME, or "
            "name a column in one of them that only its own files have"
        )
    near = min(layouts, key=lambda layout: len(layout.missing(headings)), default=None)
    missed = near.missing(headings) if near is not None else []
    hint = ""
    if near is not None and len(missed) < len(near.columns):
        hint = f"; {near.file} would, but for the column {', '.join(map(repr, missed))}"
    raise LayoutError(f"no layout fits {file}{hint}; `forepaw import look FILE` proposes one")
