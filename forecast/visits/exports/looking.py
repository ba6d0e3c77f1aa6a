"""Looking at an export before it is imported: what it is, how it would be read, what is asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd

from forecast.findings import Finding
from forecast.sheets import Sheet, read_sheet, same_heading
from forecast.visits.exports.columns import ExportColumns
from forecast.visits.exports.export import GatheredExport, gathered
from forecast.visits.exports.layout import MEANT, Layout, fitting, is_already_classified
from forecast.visits.exports.layout_text import layout_text
from forecast.visits.exports.line_words import LineWords
from forecast.visits.exports.lines import open_questions, read_lines
from forecast.visits.exports.proposing import Proposal, line_counts, propose
from forecast.visits.exports.questions import Question

_NAMES = ("patient_name", "client_name", "note")  # not shown: they may name somebody


@dataclass(frozen=True)
class ItemCount:
    """An item string, the lines that hold it, and its class; empty where it has none."""

    text: str
    n_lines: int
    item_class: str


@dataclass(frozen=True)
class KindOfFinding:
    """Findings of one kind: how many, and the first one."""

    check: str
    severity: str
    n: int
    first: Finding


@dataclass(frozen=True)
class Look:
    """What a file is and what would be made of it.

    Attributes
    ----------
    sheet
        The file as a table of text.
    layout
        The layout that fits, or the one proposed; None for a file of our own format.
    is_proposed
        Whether the layout is a proposal; `layout.text` is then what its file would hold.
    questions
        What a person must answer in the layout before the file can be read.
    examples
        A cell of each column, by our name; none of columns that may name somebody.
    unused
        Headings that the layout does not name.
    items
        Item strings by frequency.
    export
        What would come of it; None while questions are open.
    """

    sheet: Sheet
    layout: Layout | None
    is_proposed: bool = False
    questions: Sequence[Question] = ()
    examples: Mapping[str, str] = field(default_factory=dict)
    unused: Sequence[str] = ()
    items: Sequence[ItemCount] = ()
    perhaps_merged: Mapping[str, str] = field(default_factory=dict)
    export: GatheredExport | None = None

    @property
    def kinds(self) -> list[KindOfFinding]:
        """The findings by kind, what kept rows out first."""
        findings = self.export.findings if self.export else self.sheet.findings
        groups: dict[tuple[str, str], list[Finding]] = {}
        for finding in findings:
            groups.setdefault((finding.severity, finding.check), []).append(finding)
        rank = {"error": 0, "warning": 1, "note": 2}
        return [
            KindOfFinding(check, severity, len(found), found[0])
            for (severity, check), found in sorted(
                groups.items(), key=lambda group: (rank[group[0][0]], -len(group[1]))
            )
        ]


def look(
    content: bytes,
    name: str,
    *,
    layouts: Sequence[Layout],
    branches: Mapping[str, str],
    today: date,
    proposal_file: str,
) -> Look:
    """Look at an export; nothing is written.

    Parameters
    ----------
    content, name
        The bytes of the file, and its name.
    layouts, branches, today
        As for `forecast.visits.exports.export.read_export`.
    proposal_file
        Where a proposed layout would be kept, for sentences.

    Raises
    ------
    SheetError
        If the file cannot be a table.
    LayoutError
        If several layouts fit, or the one that fits contradicts the file.
    """
    expected = [tuple(layout.columns.values()) for layout in layouts]
    sheet = read_sheet(content, name, expected=expected)
    if is_already_classified(sheet.headings):
        return Look(sheet, None)
    if any(layout.fits(sheet.headings) for layout in layouts):
        layout = fitting(layouts, sheet.headings, name)
        return _looked(sheet, layout, branches, today)
    found = propose(sheet, branches=branches, today=today)
    layout, missing = _written(sheet, found, branches, today, proposal_file)
    if missing:
        return Look(sheet, layout, True, missing, _examples(sheet, layout), _unused(sheet, layout))
    seen = _looked(sheet, layout, branches, today)
    return replace(seen, is_proposed=True, perhaps_merged=found.perhaps_merged)


def _looked(sheet: Sheet, layout: Layout, branches: Mapping[str, str], today: date) -> Look:
    questions = open_questions(sheet, layout, branches=branches, today=today)
    export = None
    if not questions:
        lines = read_lines(sheet, layout, branches=branches, today=today)
        export = gathered(lines, layout)
    return Look(
        sheet,
        layout,
        questions=questions,
        examples=_examples(sheet, layout),
        unused=_unused(sheet, layout),
        items=_items(sheet, layout, branches),
        export=export,
    )


def _written(
    sheet: Sheet, found: Proposal, branches: Mapping[str, str], today: date, file: str
) -> tuple[Layout, list[Question]]:
    """Return the proposed layout with the text of its file, and the columns it lacks."""
    missing = [
        Question(
            ("columns", name),
            f"no column was told to be {MEANT[name]}; write its heading, one of "
            f"{', '.join(map(repr, sheet.headings))}"
            + ("; if there is none, name visit instead" if name == "patient" else ""),
        )
        for name in found.missing
    ]
    layout = replace(found.layout, file=file)
    questions = missing or open_questions(sheet, layout, branches=branches, today=today)
    remarks = {question.key: f"TO BE ANSWERED: {question.sentence}" for question in questions}
    if missing:
        columns = {name: layout.columns.get(name, "") for name in (*found.missing, *layout.columns)}
        layout = replace(layout, columns=columns)
    text = layout_text(
        layout,
        remarks=remarks | dict(found.remarks),
        unmapped=found.unmapped,
        perhaps_merged=found.perhaps_merged,
    )
    return replace(layout, text=text), missing


def _examples(sheet: Sheet, layout: Layout) -> dict[str, str]:
    """Return the first cell that is not empty of each column whose cells name nobody."""
    found = {}
    for name, heading in layout.columns.items():
        if heading and name not in _NAMES:
            column = ExportColumns(sheet, layout).column(name)
            filled = np.flatnonzero(column.holds(bool))
            found[name] = column.cells(filled[:1])[0] if len(filled) else ""
    return found


def _unused(sheet: Sheet, layout: Layout) -> list[str]:
    named = {same_heading(heading) for heading in layout.columns.values()}
    return [heading for heading in sheet.headings if same_heading(heading) not in named]


def _items(sheet: Sheet, layout: Layout, branches: Mapping[str, str]) -> list[ItemCount]:
    columns = ExportColumns(sheet, layout)
    item = columns.item()
    found = LineWords(columns, branches).item_class(item)
    pairs = pd.DataFrame({"item": item, "kind": found}).value_counts(sort=False)
    kinds = {str(text): str(kind) for text, kind in pairs[pairs > 0].index if kind}
    return [
        ItemCount(text, n_lines, kinds.get(text, "")) for text, n_lines in line_counts(item).items()
    ]
