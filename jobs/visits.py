"""Visits looked at: samples for a vet to label, what the labels say, a first count table."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from forecast.csv_files import read_bytes
from forecast.csv_text import csv_text
from forecast.practice import Practice
from forecast.records.cases import definition_in_force
from forecast.records.dogs import dogs
from forecast.records.engine import Records
from forecast.records.visits import visits_with_evidence
from forecast.visits.labelling import (
    Agreement,
    LabellingError,
    Labels,
    Sample,
    agree,
    design_csv,
    draw_sample,
    read_design,
    read_labels,
    sheet_csv,
    sheet_rows,
    sheet_workbook,
)

AS_IMPORTED = "as imported: no case definition is in force"
_DESIGNS = "samples"
_PRIVATE_FILE, _PRIVATE_FOLDER = 0o600, 0o700  # notes are as they were written, names and all


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
    if held.empty:
        raise LabellingError(
            "visits were asked for and none are on record; import them first with "
            "`forepaw import visits FILE`"
        )
    in_force = definition_in_force(records)
    return held, AS_IMPORTED if in_force is None else in_force.version


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
    designs = _designs_folder(practice)
    _write(designs / f"{sample.id}.csv", design_csv(sample).encode())
    _write(text, sheet_csv(rows).encode("utf-8-sig"))
    _write(workbook, sheet_workbook(rows))
    return DrawnSheet(sample, workbook, text)


def report_labels(
    practice: Practice, visits: pd.DataFrame, files: Sequence[Path], *, definition: str
) -> LabelReport:
    """Lay filled sheets beside the verdicts; write the visits that differ into the outbox."""
    designs = {
        sample.id: sample
        for path in sorted(_designs_folder(practice).glob("*.csv"))
        for sample in [read_design(*read_bytes(path))]
    }
    if not designs:
        raise LabellingError(
            "labels were given and this practice has drawn no sample; draw one with "
            "`forepaw visits sample 100`"
        )
    labels = read_labels([read_bytes(path) for path in files], designs)
    sample = designs[str(labels.rows["sample"].iloc[0])]
    agreement = agree(labels.rows, sample, visits, definition=definition)
    path = practice.outbox_folder / f"{sample.id}-differences.csv"
    _write(path, _differences(agreement).encode("utf-8-sig"))
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


def _designs_folder(practice: Practice) -> Path:
    folder = practice.archive_folder / _DESIGNS
    folder.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    return folder


def _write(path: Path, content: bytes) -> None:
    """Write so that the name stands for the whole content or for what was there before."""
    part = path.with_name(path.name + ".part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, _PRIVATE_FILE)
    with os.fdopen(handle, "wb") as out:
        out.write(content)
    os.replace(part, path)
