"""Layouts of what is kept of patients: therapies, scores, facts, reactions and such, in own words.

One is a TOML file in `layouts/patients/` that the practice keeps: which column is which of ours,
and what its own words mean, so that its item strings become classes of therapy. A file of our own
format needs none.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from forecast.sheets import same_heading
from forecast.toml_text import broken_toml
from forecast.visits.exports.layout import (
    DAY_ORDERS,
    DECIMALS,
    Layout,
    LayoutChecks,
    LayoutError,
)

FOLDER = "patients"  # within the folder of layouts
DOG = "dog"
NONE = "none"  # a word that means: leave the row out, it is nothing of ours
DAYS = ("date", "until")


@dataclass(frozen=True)
class PatientColumns:
    """The columns of one kind of file: those that must be there, and those that may."""

    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()

    @property
    def all(self) -> tuple[str, ...]:
        """Every column, in the order in which README lists them."""
        return (*self.required, *self.optional)


HOLDS = {
    "therapies": PatientColumns(
        (DOG, "therapy", "date", "status"), ("until", "reason", "responded")
    ),
    "scores": PatientColumns((DOG, "date", "pvas"), ("scorer", "scale"), ("pvas",)),
    "facts": PatientColumns((DOG, "kind", "value", "date"), (), ("value",)),
    "reactions": PatientColumns((DOG, "therapy", "date"), ("sign", "reported")),
    "vaccinations": PatientColumns((DOG, "date", "live"), ("against",)),
    "medicines": PatientColumns((DOG, "kind", "date"), ("until",)),
    "tests": PatientColumns((DOG, "date", "allergen", "result"), ("method",)),
}


@dataclass(frozen=True)
class PatientLayout:
    """What one kind of file of patients means.

    Attributes
    ----------
    holds
        Which of `HOLDS` it is.
    columns
        Our column to the file's heading.
    always
        Our column to the one word that holds for every row, where the file has no such column.
    words
        The practice's own word to ours; "none" leaves the row out.
    day_order, decimal
        As in a layout of visits; empty where no file needed them yet.
    """

    holds: str
    columns: Mapping[str, str]
    always: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    day_order: str = ""
    decimal: str = ""
    file: str = ""

    @cached_property
    def lookup(self) -> dict[str, str]:
        """The practice's own words, as they are compared, to ours."""
        return {same_heading(word): ours for word, ours in self.words.items()}

    def fits(self, headings: Iterable[str]) -> bool:
        """Say whether a file has every heading that this layout names."""
        return not self.missing(headings)

    def missing(self, headings: Iterable[str]) -> list[str]:
        """Return the headings that this layout names and a file has not."""
        there = {same_heading(heading) for heading in headings}
        return [name for name in self.columns.values() if same_heading(name) not in there]

    @property
    def as_layout(self) -> Layout:
        """What says whose a row is, as a layout of visits does; it fits the same files."""
        others = {ours: heading for ours, heading in self.columns.items() if ours != DOG}
        return Layout(self.file, {"patient": self.columns[DOG]} | others, file=self.file)


def parse_patient_layout(text: str, file: str) -> PatientLayout:
    """Read a layout of patients; the refusal is one sentence with the line and what to do."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise LayoutError(broken_toml(file, str(error))) from error
    check = LayoutChecks(text, file)
    check.keys((), tree, ["holds", "day_order", "decimal", "columns", "always", "words"])
    holds = check.word(("holds",), tree.get("holds", ""), tuple(HOLDS))
    order = check.word(("day_order",), tree.get("day_order", ""), (*DAY_ORDERS, ""))
    decimal = check.word(("decimal",), tree.get("decimal", ""), (*DECIMALS, ""))
    tables = {
        name: check.table(name, tree.get(name, {})) for name in ("columns", "always", "words")
    }
    known = HOLDS[holds]
    for name in ("columns", "always"):
        check.keys((name,), tables[name], known.all)
    columns = {ours: heading for ours, heading in tables["columns"].items() if heading}
    for ours in known.required:
        if not columns.get(ours) and not tables["always"].get(ours):
            raise check.refuse(
                ("columns", ours),
                f"[columns] {ours} has no heading; write the heading that the file gives it"
                + ("" if ours == DOG else f', or [always] {ours} = "..." for every row'),
            )
    for ours in tables["always"]:
        if ours in columns or ours in (DOG, "date"):
            why = "has a heading too" if ours in columns else "differs from row to row"
            raise check.refuse(("always", ours), f"[always] {ours} {why}; take one of them out")
    return PatientLayout(holds, columns, tables["always"], tables["words"], order, decimal, file)


def load_patient_layouts(folder: Path) -> list[PatientLayout]:
    """Read every layout of patients below the folder of layouts, in the order of their names."""
    found = []
    for path in sorted((folder / FOLDER).glob("*.toml")):
        name = f"{folder.name}/{FOLDER}/{path.name}"
        try:
            found.append(parse_patient_layout(path.read_text(encoding="utf-8"), name))
        except UnicodeDecodeError as error:
            raise LayoutError(
                f"{name} is not UTF-8 text (byte {error.start}); save it as UTF-8"
            ) from error
    return found


def is_our_own(headings: Iterable[str], holds: str) -> bool:
    """Say whether a file is of our own format of a kind, and so needs no layout."""
    return set(HOLDS[holds].required) <= {heading.lower() for heading in headings}


def fitting_patient_layout(
    layouts: Sequence[PatientLayout], headings: Collection[str], *, holds: str, file: str
) -> PatientLayout | None:
    """Return the one layout of a kind that a file has every heading of; None if there is none.

    Raises
    ------
    LayoutError
        If more than one fits.
    """
    fit = [layout for layout in layouts if layout.holds == holds and layout.fits(headings)]
    if len(fit) > 1:
        names = ", ".join(layout.file for layout in fit)
        raise LayoutError(
            f"{file} fits more than one layout ({names}); name a column in one of them that only "
            "its own files have"
        )
    return fit[0] if fit else None
