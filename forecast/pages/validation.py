"""What validation on real data showed: the generated record of the models, as a page."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from forecast.pages.page import Asked, Page, View

ADDRESS = "/help/record"
_SCORES = "Relative weighted interval score"  # how the titles of the tables begin
_HINDCAST = "Hindcast"


@dataclass(frozen=True)
class ValidationTable:
    """One table, its cells as they were written."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def column(self, name: str) -> list[float]:
        """Return a column as numbers."""
        at = self.columns.index(name)
        return [float(row[at]) for row in self.rows]


@dataclass(frozen=True)
class Validation:
    """One validation: on which data, what came out, and what a reader must know."""

    title: str
    about: str
    tables: tuple[ValidationTable, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class ValidationPage:
    """What the models reached on data that no practice gave; `sentences` say it in short."""

    sentences: tuple[str, ...]
    validations: tuple[Validation, ...]


@cache
def validation_page() -> ValidationPage:
    """Return what stands in the record that comes with the models."""
    text = files("models").joinpath("RECORD.md").read_text("utf-8")
    found = tuple(_validation(part) for part in text.split("\n## ")[1:])
    return ValidationPage(tuple(_sentences(found)), found)


def _validation(part: str) -> Validation:
    """Read one part of the generated page: title, about, tables, notes, an empty line between."""
    title, about, *rest = [block.strip() for block in part.split("\n\n")]
    tables: list[ValidationTable] = []
    notes: list[str] = []
    heading = ""
    for block in rest:
        if block.startswith("### "):
            heading = block.removeprefix("### ")
        elif block.startswith("|"):
            columns, _, *rows = [_cells(line) for line in block.splitlines()]
            tables.append(ValidationTable(heading, columns, tuple(rows)))
        else:
            notes += [line.removeprefix("- ") for line in block.splitlines()]
    return Validation(title, about, tuple(tables), tuple(notes))


def _cells(line: str) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in line.strip("|").split("|"))


def _sentences(validations: tuple[Validation, ...]) -> list[str]:
    tables = [table for one in validations for table in one.tables]
    said = []
    for table in tables:
        if table.title.startswith(_SCORES) and {"all", "in 90 %"} <= set(table.columns):
            held = [100 * share for share in table.column("in 90 %")]
            said.append(
                f"On {len(table.rows)} public series of weekly counts the same engine's error came "
                f"to {_span(table.column('all'), 2)} of climatology's; its 90 % bands held "
                f"{_span(held, 0)} % of the weeks."
            )
        elif table.title.startswith(_HINDCAST) and {"RMSE", "mean date"} <= set(table.columns):
            said.append(
                f"For {len(table.rows)} plants at stations with dates of their own the day of "
                f"flowering was missed by {_span(table.column('RMSE'), 1)} days (root mean "
                f"square), by {_span(table.column('mean date'), 1)} days if the mean date is taken."
            )
    return said


def _span(values: list[float], digits: int) -> str:
    low, high = (f"{value:.{digits}f}" for value in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def _record(_: Asked) -> View:
    page = validation_page()
    tables = [table for one in page.validations for table in one.tables]
    cells = [
        {"table": table.title, "row": row[0], "column": column, "value": value}
        for table in tables
        for row in table.rows
        for column, value in zip(table.columns[1:], row[1:], strict=True)
    ]
    return View("validation.html", page, {"tables": cells})


PAGES = (Page(ADDRESS, "validation", None, _record, has_data=True),)
