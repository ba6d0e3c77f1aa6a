"""Drawing: an issue whose process was killed before its files were there gets them after all."""

from __future__ import annotations

import shutil

import pytest

from forecast.charts.looks import LOOKS
from forecast.evidence_files import read_evidence
from forecast.issue_files import draws_file
from forecast.records.issues import issues
from jobs.clock import tick, whats_due
from jobs.draw import is_undrawn
from jobs.registry import find_job

DRAW = (find_job("draw"),)


@pytest.mark.long
def test_an_issue_without_its_files_is_drawn_once_and_as_issuing_draws_it(later, monkeypatch):
    """Its figures, table, words and what drives flares; then there is nothing more to do."""
    monkeypatch.setattr("forecast.figure_files.LOOKS", {"wide": LOOKS["wide"]})  # the others alike
    practice, records, _ = later.all
    newest = issues(records)[-1]
    folder = practice.outbox_folder / newest.id
    shutil.rmtree(folder, ignore_errors=True)
    assert is_undrawn(practice, records)
    (ran,) = tick(practice.folder, practice.now, jobs=DRAW)
    assert (ran.state, newest.id in ran.noted) == ("done", True)
    written = {path.name for path in folder.iterdir()}
    assert {"forecast.txt", "forecast.csv", "credits.txt", "visits-north.svg"} <= written
    assert read_evidence(practice, newest.id)
    assert not is_undrawn(practice, records)
    assert whats_due(practice, records, DRAW) == []
    # killed in the middle of drawing: what is written last is not there
    (folder / "forecast.txt").unlink()
    assert is_undrawn(practice, records)


@pytest.mark.long
def test_nothing_is_drawn_of_draws_that_are_no_longer_kept(later):
    """Nor where nothing was issued."""
    practice, records, _ = later.all
    newest = issues(records)[-1]
    shutil.rmtree(practice.outbox_folder, ignore_errors=True)
    draws_file(practice.issued_folder / newest.file).unlink()
    assert not is_undrawn(practice, records)
