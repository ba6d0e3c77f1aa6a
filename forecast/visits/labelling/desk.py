"""The labelling desk: samples drawn and kept, sheets written, what the labels say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from forecast.csv_files import read_bytes
from forecast.csv_text import csv_text
from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records.cases import definition_in_force
from forecast.records.dogs import dog as one_dog
from forecast.records.dogs import dogs
from forecast.records.engine import Records
from forecast.records.visits import EVIDENCE, visits_with_evidence
from forecast.records.visits import visits as visits_on_record
from forecast.visits.labelling.agreement import Agreement, agree
from forecast.visits.labelling.labels import Labels, read_labels
from forecast.visits.labelling.sample import (
    LabellingError,
    Sample,
    design_csv,
    draw_sample,
    read_design,
)
from forecast.visits.labelling.sheet import sheet_csv, sheet_rows, sheet_workbook

AS_IMPORTED = "as imported: no case definition is in force"
_DESIGNS = "samples"
_PRIVATE_FOLDER = 0o700  # notes are as they were written, names and all


@dataclass(frozen=True)
class DrawnSheet:
    """A sample and the two files of its sheet."""

    sample: Sample
    workbook: Path
    csv: Path


@dataclass(frozen=True)
class LabelReport:
    """What labels say, what was wrong with the sheets, and where the differences are listed."""

    sample: Sample
    labels: Labels
    agreement: Agreement
    differences: Path


def judged_visits(practice: Practice, records: Records) -> tuple[pd.DataFrame, str]:
    """Return the live visits with their evidence, species and birth date; the version in force."""
    told = [(dog.id, dog.species, dog.birth_date) for dog in dogs(records, on=practice.today)]
    animals = pd.DataFrame(told, columns=["dog", "species", "birth_date"]).set_index("dog")
    held = visits_with_evidence(records).join(animals, on="dog")
    return _some(held), _version(records)


def visits_to_draw(records: Records) -> tuple[pd.DataFrame, str]:
    """Return the live visits with all that `draw_sample` looks at; the version in force.

    Without notes and items: a person waits for the draw.
    """
    return _some(visits_on_record(records, more=("certainty", "exclusion"))), _version(records)


def _some(held: pd.DataFrame) -> pd.DataFrame:
    if held.empty:
        raise LabellingError(
            "visits were asked for and none are on record; import them first with "
            "`forepaw import visits FILE`"
        )
    return held


def _version(records: Records) -> str:
    in_force = definition_in_force(records)
    return AS_IMPORTED if in_force is None else in_force.version


def visits_of(records: Records, sample: Sample) -> tuple[pd.DataFrame, str]:
    """Return the visits of a sample with their evidence, those that are on record; the version.

    The version is that of the case definition in force.
    """
    held = visits_on_record(records, more=EVIDENCE, references=sample.rows["reference"].tolist())
    return held, _version(records)


def drawn_visit(practice: Practice, records: Records, sample: Sample, number: int) -> pd.Series:
    """Return the row of a sample's sheet of one number (`sheet.COLUMNS`), as a vet is to see it.

    Raises
    ------
    LabellingError
        If the sample has no such number, or its visit is no longer on record.
    """
    rows = sample.rows.loc[sample.rows["number"] == number]
    if rows.empty:
        raise LabellingError(
            f"number {number} was asked for; {sample.id} has the numbers 1 to {len(sample.rows)}"
        )
    reference, branch = rows["reference"].iloc[0], rows["branch"].iloc[0]
    held = visits_on_record(records, more=("items", "codes", "note"), references=[reference])
    held = held.loc[held["branch"] == branch]
    if held.empty:
        raise LabellingError(f"visit {number} of {sample.id} is no longer on record")
    of_dog = held["dog"].iloc[0]
    animal = one_dog(records, of_dog, on=practice.today) if isinstance(of_dog, str) else None
    held = held.assign(
        species=animal.species if animal else "", birth_date=animal.birth_date if animal else None
    )
    return sheet_rows(sample, held).iloc[0]


def draw_sheet(
    practice: Practice, visits: pd.DataFrame, n: int, *, definition: str, seed: int
) -> DrawnSheet:
    """Draw visits and write their sheet into the outbox; keep apart which visit is which.

    Repeating it with the same seed writes the same files. A sheet that may be filled in already is
    not written over.
    """
    sample = draw_sample(visits, n, definition=definition, seed=seed)
    workbook = practice.outbox_folder / f"{sample.id}.xlsx"
    text = workbook.with_suffix(".csv")
    there = [path for path in (workbook, text) if path.exists()]
    if there:
        raise LabellingError(
            f"{there[0]} is there already and may be filled in; move it away, or draw other visits "
            "with another --seed"
        )
    rows = sheet_rows(sample, visits)
    keep_design(practice, sample)
    write_private(text, sheet_csv(rows).encode("utf-8-sig"))
    write_private(workbook, sheet_workbook(rows))
    return DrawnSheet(sample, workbook, text)


def report_labels(
    practice: Practice, visits: pd.DataFrame, files: Sequence[Path], *, definition: str
) -> LabelReport:
    """Lay filled sheets beside the verdicts; write the visits that differ into the outbox."""
    designs = kept_designs(practice)
    if not designs:
        raise LabellingError(
            "labels were given and this practice has drawn no sample; draw one with "
            "`forepaw visits sample 100`"
        )
    labels = read_labels([read_bytes(path) for path in files], designs)
    sample = designs[str(labels.rows["sample"].iloc[0])]
    agreement = agree(labels.rows, sample, visits, definition=definition)
    path = practice.outbox_folder / f"{sample.id}-differences.csv"
    write_private(path, _differences(agreement).encode("utf-8-sig"))
    return LabelReport(sample, labels, agreement, path)


def _differences(agreement: Agreement) -> str:
    """Return the visits on which labellers differ, or the definition differs from the label."""
    lines: list[tuple[object, ...]] = []
    for row in agreement.disagreements.to_dict("records"):
        number, branch, reference = row.pop("number"), row.pop("branch"), row.pop("reference")
        said = ", ".join(f"{who}: {answer}" for who, answer in row.items() if answer)
        lines.append((number, branch, reference, "labellers differ", said, "", ""))
    for row in agreement.misjudged.to_dict("records"):
        verdict = (
            f"{row['kind']} ({row['certainty']}{', ' * bool(row['exclusion'])}{row['exclusion']})"
        )
        label = f"label: {row['label']}"
        keys = (row["number"], row["branch"], row["reference"])
        lines.append((*keys, "definition differs", label, verdict, row["evidence"]))
    columns = ("number", "branch", "visit", "what", "labels", "definition", "evidence")
    return csv_text(columns, sorted(lines, key=lambda line: (int(str(line[0])), str(line[3]))))


def keep_design(practice: Practice, sample: Sample) -> None:
    """Keep which visit each number of a sample is; the same sample again changes nothing."""
    path = samples_folder(practice) / f"{sample.id}.csv"
    write_private(path, design_csv(sample).encode())


def kept_designs(practice: Practice) -> dict[str, Sample]:
    """Return the samples that were drawn, by id, the newest last."""
    paths = sorted(samples_folder(practice).glob("*.csv"), key=lambda path: path.stat().st_mtime)
    return {sample.id: sample for path in paths for sample in [read_design(*read_bytes(path))]}


def samples_folder(practice: Practice) -> Path:
    """Return where samples and answers are kept."""
    folder = practice.archive_folder / _DESIGNS
    folder.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    return folder
