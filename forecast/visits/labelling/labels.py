"""Reading the filled sheets back: one answer a visit and labeller, everything else a finding."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from forecast.csv_files import CsvTable, read_csv
from forecast.findings import Finding
from forecast.visits.labelling.sample import LabellingError, Sample
from forecast.visits.labelling.sheet import ANSWERS

YES, NO, UNSURE = ANSWERS
_REQUIRED = ("sample", "number", "flare", "labeller")
_NOT_USED = ("date", "species", "age", "items", "codes", "note", "remark")
_SYNONYMS = {
    "y": YES, "ja": YES, "j": YES, "1": YES, "n": NO, "nein": NO, "0": NO,
    "?": UNSURE, "not sure": UNSURE, "unsicher": UNSURE, "u": UNSURE, "maybe": UNSURE,
}  # fmt: skip


@dataclass
class Labels:
    """What labellers answered.

    Attributes
    ----------
    rows
        One row a visit and labeller: sample, number, labeller, flare (yes, no, unsure).
    findings
        What was wrong with the sheets, row by row; those rows are left out.
    n_blank
        Rows without an answer: not labelled yet.
    """

    rows: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    n_blank: int = 0


def read_labels(sheets: Sequence[tuple[bytes, str]], designs: Mapping[str, Sample]) -> Labels:
    """Read one or several filled sheets, as CSV or workbook.

    Parameters
    ----------
    sheets
        Content and name of each file; several labellers may share one file or have one each.
    designs
        Samples by id, as kept by the practice.

    Raises
    ------
    LabellingError
        If nothing was labelled, or the sheets are of different samples.
    """
    labels = Labels(pd.DataFrame(columns=["sample", "number", "labeller", "flare"]))
    read = []
    for content, file in sheets:
        table = read_csv(content, file, required=_REQUIRED, optional=_NOT_USED)
        read.append(_answers(table, designs, labels))
        labels.findings += table.findings
    rows = pd.concat(read, ignore_index=True)
    kept = rows.drop_duplicates(["sample", "number", "labeller"])
    labels.findings += _repeats(rows, kept)
    if kept.empty:
        named = ", ".join(file for _, file in sheets)
        first = next((f.sentence for f in labels.findings if f.severity == "error"), "")
        raise LabellingError(
            f"{named} holds no answer that can be used"
            + (f"; the first finding: {first}" if first else "; fill in the column 'flare'")
        )
    if kept["sample"].nunique() > 1:
        raise LabellingError(
            f"the sheets are of different samples ({', '.join(sorted(kept['sample'].unique()))}); "
            "give the sheets of one sample at a time"
        )
    labels.rows = kept.drop(columns=["file", "row"]).reset_index(drop=True)
    return labels


def _answers(table: CsvTable, designs: Mapping[str, Sample], labels: Labels) -> pd.DataFrame:
    rows = table.rows.apply(lambda column: column.str.strip())
    table.rows = rows.assign(flare=rows["flare"].str.lower(), labeller=rows["labeller"].str.upper())
    blank = table.rows["flare"] == ""
    labels.n_blank += int(blank.sum())
    table.rows = table.rows.loc[~blank]
    table.replace_words("flare", _SYNONYMS)
    table.leave_out_unknown("flare", ANSWERS)
    table.leave_out_empty("labeller")
    table.leave_out_unknown("sample", list(designs))
    numbers = {(i, str(n)) for i, sample in designs.items() for n in sample.rows["number"]}
    keys = zip(table.rows["sample"], table.rows["number"], strict=True)
    table.leave_out(
        pd.Series([key not in numbers for key in keys], index=table.rows.index, dtype=bool),
        "number",
        check="no such visit in the sample",
        allowed="the numbers of the sheet",
        fix="leave the column 'number' as it was drawn",
    )
    kept = table.rows[["sample", "number", "labeller", "flare"]]
    return kept.assign(number=kept["number"].astype(int), file=table.file, row=kept.index)


def _repeats(rows: pd.DataFrame, kept: pd.DataFrame) -> list[Finding]:
    """Say which answers a labeller gave twice: the first counts; it matters if they differ."""
    told = kept.set_index(["sample", "number", "labeller"])["flare"]
    found = []
    for row in rows.drop(kept.index).to_dict("records"):
        first = told.loc[(row["sample"], row["number"], row["labeller"])]
        said = f"number {row['number']} by {row['labeller']}: {row['flare']!r}, before it {first!r}"
        differs = first != row["flare"]
        found.append(
            Finding(
                "answered twice by one labeller",
                "error" if differs else "note",
                row["file"],
                int(row["row"]),
                "flare",
                said,
                "one answer a visit and labeller",
                "the first was kept",
            )
        )
    return found


def consensus(labels: pd.DataFrame) -> pd.Series:
    """Return one answer a visit, by number: what more than half of the yes and no say.

    Unsure where they tie, or nobody said yes or no.
    """
    clear = labels.loc[labels["flare"] != UNSURE]
    yes = (clear["flare"] == YES).groupby(clear["number"]).mean()
    told = pd.Series(UNSURE, index=pd.Index(sorted(labels["number"].unique()), name="number"))
    told[yes.index[yes > 0.5]] = YES
    told[yes.index[yes < 0.5]] = NO
    return told
