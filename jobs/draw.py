"""Draw: the outbox and the pages' figures of an issue; and those of one killed before it had them.

An issue is kept before anything is drawn from it, so a process that is killed in between leaves a
forecast without its files. The clock looks for that, and makes up for it.
"""

from __future__ import annotations

from collections.abc import Sequence

from forecast.array_files import ArrayFileError
from forecast.climate import ClimateStore
from forecast.cut import Known, known_at
from forecast.evidence_files import BesideIssue, beside_issue
from forecast.figure_files import draw_for_pages
from forecast.issue_files import draws_file
from forecast.issuing import Issue, read_issue
from forecast.model_files import model_file
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.issues import issues
from forecast.regions import regions
from forecast.training import (
    TrainedModel,
    read_model,
    weeks_coming_in,
    what_cover_decides,
    what_drives,
)
from jobs.outputs import has_outputs, write_outputs
from models.flare.attribution import Evidence


def draw(
    practice: Practice,
    issue: Issue,
    *,
    evidence: Sequence[Evidence] | None,
    beside: BesideIssue | None,
) -> None:
    """Write everything that is drawn from an issue."""
    draw_for_pages(practice, issue)
    write_outputs(practice, issue, evidence=evidence, beside=beside)


def told_beside(practice: Practice, issue: Issue, model: TrainedModel, known: Known) -> BesideIssue:
    """Work out what is told beside an issue, from its model and what was known."""
    n_weeks = practice.settings.forecast.weeks
    return beside_issue(
        issue,
        {region.id: region.name for region in regions(practice).values()},
        coming_in=weeks_coming_in(model, known),
        cover=what_cover_decides(model, known, n_weeks=n_weeks),
    )


def is_undrawn(practice: Practice, records: Records) -> bool:
    """Say whether the newest issue lacks its files, and can still be drawn."""
    rows = issues(records)
    if not rows or has_outputs(practice, rows[-1].id):
        return False
    return draws_file(practice.issued_folder / rows[-1].file).exists()


def draw_newest(practice: Practice, records: Records, climate: ClimateStore) -> Issue:
    """Draw the newest issue, with what drives flares read again from its model and its data."""
    issue = read_issue(practice.issued_folder / issues(records)[-1].file)
    evidence, beside = None, None
    try:
        model = read_model(model_file(practice, issue.model_hash))
    except ArrayFileError:
        pass  # thinned, or damaged: the next issue learns anew
    else:
        known = known_at(practice, records, climate, cut=issue.cut)
        evidence = what_drives(model, known)
        beside = told_beside(practice, issue, model, known)
    draw(practice, issue, evidence=evidence, beside=beside)
    return issue
