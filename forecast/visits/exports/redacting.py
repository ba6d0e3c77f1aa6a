"""Taking one owner's rows out of a raw file, the rest left as it is written.

A row is theirs where the column of the owner or the patient says so, where its text holds one of
the names that are looked for, or where it names nobody and stands on an invoice of theirs. Which
columns those are is told by the practice's layouts, or by our own formats.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from forecast.csv_text import csv_text
from forecast.findings import Finding
from forecast.sheets import SheetError
from forecast.sheets.heading import TOP_ROWS, column_names, find_heading, same_heading
from forecast.sheets.records import TextRecord, TextRecords, text_records
from forecast.visits.exports.layout import Layout
from models.errors import ForepawError

DOG, OWNER = "dog", "owner"
_OURS = {DOG: "dog", OWNER: "owner_number"}  # headings of our own formats


class RedactionError(ForepawError):
    """A raw file in which the rows of one owner cannot be told from the others."""


@dataclass(frozen=True)
class Theirs:
    """What tells that a row is theirs.

    `number_is_theirs` is asked of a kind (``dog`` or ``owner``) and a number; `names` are texts
    that stand in no row but theirs.
    """

    number_is_theirs: Callable[[str, str], bool]
    names: Sequence[str] = ()

    def is_named_in(self, text: str) -> bool:
        """Say whether a text holds one of the names."""
        folded = text.casefold()
        return any(name in folded for name in self._folded)

    @property
    def _folded(self) -> list[str]:
        return [name.casefold() for name in self.names if name]


@dataclass
class Parted:
    """A raw file in two parts: what is left of it, and the rows that were taken out.

    `rows` hold a row each, heading to cell, by its number. `content` is the very same bytes where
    nothing was taken out.
    """

    content: bytes
    rows: dict[int, dict[str, str]] = field(default_factory=dict)
    remark: str = ""


@dataclass(frozen=True)
class _Columns:
    """Where a row says whose it is: places of the cells, and how its patient numbers are read."""

    names: Sequence[str]
    heading: int
    patient: int | None
    owner: int | None
    invoice: int | None
    merged: Mapping[str, str]

    def cell(self, record: TextRecord, place: int | None) -> str:
        if place is None or place >= len(record.cells):
            return ""
        return record.cells[place].strip()


def part(content: bytes, file: str, *, layouts: Sequence[Layout], theirs: Theirs) -> Parted:
    """Take somebody's rows out of a raw file.

    Raises
    ------
    RedactionError
        If the file cannot be read, or has no column that tells whose a row is.
    """
    try:
        records = text_records(content, file)
        columns = _columns(records, layouts)
        taken, invoices = _theirs(records, columns, theirs)
        kept = _kept(records, columns, taken, invoices)
        texts = [record.text for record in kept]
    except SheetError as error:
        raise RedactionError(f"{file} cannot be read any more ({error})") from error
    if not taken:
        return Parted(content)
    others = ", ".join(records.other_sheets)
    remark = f"other sheets of the workbook are gone: {others}" if others else ""
    whole = "".join(texts).encode(records.codec, "replace")
    return Parted(whole, taken, remark)


def _columns(records: TextRecords, layouts: Sequence[Layout]) -> _Columns:
    top = []
    for record in records:
        top.append(record)
        if len(top) == TOP_ROWS:
            break
    ours = [(_OURS[DOG],), (_OURS[OWNER],)]
    expected = [tuple(layout.columns.values()) for layout in layouts]
    at = find_heading([record.cells for record in top], [*expected, *ours])
    if at is None:
        raise RedactionError(f"{records.file} has no line of headings")
    names, _ = column_names(top[at].cells)
    places = {same_heading(name): place for place, name in reversed(list(enumerate(names)))}
    fits = [layout for layout in layouts if layout.fits(names)]
    told: list[tuple[Mapping[str, str], Mapping[str, str]]] = [
        *((layout.columns, layout.merged) for layout in fits),
        ({"patient": _OURS[DOG], "client": _OURS[OWNER]}, {}),
    ]
    for columns, merged in told:
        patient, client, visit = (
            places.get(same_heading(columns.get(name, "")))
            for name in ("patient", "client", "visit")
        )
        if patient is not None or client is not None:
            return _Columns(names, top[at].number, patient, client, visit, merged)
    raise RedactionError(
        f"{records.file}: no layout fits it any more, so whose a row is cannot be told"
    )


def _theirs(
    records: TextRecords, columns: _Columns, theirs: Theirs
) -> tuple[dict[int, dict[str, str]], set[str]]:
    """Return the rows that say themselves that they are theirs, and the invoices they stand on."""
    known: dict[tuple[str, str], bool] = {}

    def is_theirs(kind: str, number: str) -> bool:
        if (kind, number) not in known:
            known[kind, number] = theirs.number_is_theirs(kind, number)
        return known[kind, number]

    taken, invoices = {}, set()
    for record in _below(records, columns):
        patient, owner = (columns.cell(record, p) for p in (columns.patient, columns.owner))
        numbers = {(OWNER, owner), (DOG, patient), (DOG, columns.merged.get(patient, patient))}
        said = any(is_theirs(kind, number) for kind, number in numbers if number)
        if said or theirs.is_named_in(record.text):
            taken[record.number] = _named(record, columns)
            invoices.add(columns.cell(record, columns.invoice))
    return taken, invoices - {""}


def _below(records: TextRecords, columns: _Columns) -> Iterator[TextRecord]:
    return (record for record in records if record.number > columns.heading)


def _named(record: TextRecord, columns: _Columns) -> dict[str, str]:
    if not record.cells:
        return {"text": record.text.strip()}
    cells = dict(zip(columns.names, (cell.strip() for cell in record.cells), strict=False))
    return {name: cell for name, cell in cells.items() if cell}


def _kept(
    records: TextRecords,
    columns: _Columns,
    taken: dict[int, dict[str, str]],
    invoices: set[str],
) -> Iterator[TextRecord]:
    """Yield the records that stay; rows of nobody on their invoices are taken too."""
    for record in records:
        if record.number in taken:
            continue
        nobody = not any(columns.cell(record, p) for p in (columns.patient, columns.owner))
        if (
            record.number > columns.heading
            and nobody
            and columns.cell(record, columns.invoice) in invoices
        ):
            taken[record.number] = _named(record, columns)
            continue
        yield record


def part_findings(
    findings: Sequence[Mapping[str, str]], rows: Mapping[int, object], theirs: Theirs
) -> list[Mapping[str, str]]:
    """Return the findings of a file that speak neither of rows taken out nor of them otherwise."""
    return [
        line
        for line in findings
        if not (
            (line["row"].isdigit() and int(line["row"]) in rows)
            or theirs.is_named_in(" ".join(line.values()))
            or any(
                theirs.number_is_theirs(kind, line["found"].strip("'\"")) for kind in (DOG, OWNER)
            )
        )
    ]


def findings_text(findings: Sequence[Mapping[str, str]]) -> str:
    """Return findings as the CSV text they were read from."""
    columns = list(Finding.__dataclass_fields__)
    return csv_text(columns, ([line[name] for name in columns] for line in findings))
