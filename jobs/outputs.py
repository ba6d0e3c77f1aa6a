"""Outputs: what an issue leaves in the outbox, its answer in words, the long table, its figures.

Tables hold no line of credit, so that any program reads them: credits.txt beside them does.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from forecast.charts.render import render
from forecast.dosing.desk import plans_csv
from forecast.dosing.plan import DosePlan
from forecast.evidence_files import BesideIssue, write_beside, write_evidence
from forecast.figures import figures
from forecast.hub import write_hub_table
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.regions import regions
from forecast.wording import answer
from models.flare.attribution import Evidence

_WORDS = "forecast.txt"


def write_outputs(
    practice: Practice,
    issue: Issue,
    *,
    evidence: Sequence[Evidence] | None = None,
    beside: BesideIssue | None = None,
) -> list[Path]:
    """Write forecast.txt, credits.txt, forecast.csv and every figure as SVG and PNG; return them.

    Without visits there is no forecast.csv: an empty table would be read as a forecast of nothing.
    `evidence`, what the visits tell of drivers, and what else is told `beside` the issue are kept
    with them for the pages.
    """
    folder = _folder(practice, issue)
    names = {region.id: region.name for region in regions(practice).values()}
    if evidence is not None:
        write_evidence(practice, issue.id, evidence)
    if beside is not None:
        write_beside(practice, issue.id, beside)
    words = folder / _WORDS
    written = [words, _write_credits(folder, issue)]
    if issue.has_visits:
        table = folder / "forecast.csv"
        write_hub_table(issue.forecast, table)
        written.append(table)
    for figure in figures(practice, issue):
        written += render(figure.draw(), folder / figure.name)
    _write(words, "\n".join(answer(issue, names)) + "\n")  # last: it tells that all is there
    return written


def has_outputs(practice: Practice, issue_id: str) -> bool:
    """Say whether all that `write_outputs` writes of an issue is there."""
    return (practice.outbox_folder / issue_id / _WORDS).exists()


def write_plans(
    practice: Practice, records: Records, issue: Issue, plans: Sequence[DosePlan]
) -> Path:
    """Write plans.csv beside the issue's other files; return its path."""
    folder = _folder(practice, issue)
    _write_credits(folder, issue)
    path = folder / "plans.csv"
    _write(path, plans_csv(records, plans))
    return path


def _write_credits(folder: Path, issue: Issue) -> Path:
    path = folder / "credits.txt"
    lines = "Every file in this folder rests on these data; show the lines wherever you show them."
    _write(path, f"{lines}\n{issue.forecast.attrs['credit']}\n")
    return path


def _folder(practice: Practice, issue: Issue) -> Path:
    folder = practice.outbox_folder / issue.id
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _write(path: Path, text: str) -> None:
    """Write so that the name stands for the whole text or for what was there before."""
    partial = path.with_name(path.name + ".part")
    partial.write_text(text, encoding="utf-8")
    os.replace(partial, path)
