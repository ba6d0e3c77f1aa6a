"""What an issue leaves in the outbox: the long table and its figures, whole, under its id."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from forecast.evidence_files import read_evidence, write_evidence
from forecast.figures import Figure
from forecast.hub import hub_table
from forecast.issuing import Issue, latest_issue
from forecast.practice import Practice, open_practice
from forecast.records import open_records
from jobs import outputs
from jobs.outputs import write_outputs
from models.flare.attribution import NOT_TOLD, Evidence

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture
def made(practice_folder) -> tuple[Practice, Issue]:
    practice = open_practice(practice_folder)
    return practice, latest_issue(practice, open_records(practice))


def test_the_outbox_of_an_issue_holds_its_table_and_its_figures(made):
    """What `forepaw issue` wrote: each in its form, the table with every row of the issue."""
    practice, issue = made
    folder = practice.outbox_folder / issue.id
    table = pd.read_csv(folder / "forecast.csv", dtype={"output_type_id": str})
    assert len(table) == len(hub_table(issue.forecast))
    for path in folder.glob("*.png"):
        assert path.read_bytes().startswith(PNG)
    for path in folder.glob("*.svg"):
        root = ElementTree.fromstring(path.read_text(encoding="utf-8"))  # noqa: S314
        assert root.attrib["role"] == "img"
        assert "Invented practice" in root.attrib["aria-label"]
    assert not [path for path in folder.iterdir() if path.suffix in (".part", ".tmp")]


def test_outputs_come_in_order_and_writing_them_again_replaces_them(made, monkeypatch):
    """The words first, then the table; a second time the same names, and nothing is left over."""
    practice, issue = made
    drawn = []
    drawing = Figure("visits-north", "title", (), "credit", "words", lambda **_: "a chart")

    def render(chart: str, stem: Path) -> tuple[Path, Path]:
        drawn.append(chart)
        for suffix in (".svg", ".png"):
            stem.with_suffix(suffix).write_text(chart)
        return stem.with_suffix(".svg"), stem.with_suffix(".png")

    monkeypatch.setattr(outputs, "render", render)
    monkeypatch.setattr(outputs, "figures", lambda *_: iter([drawing]))
    folder = practice.outbox_folder / issue.id
    before = {path.name for path in folder.iterdir()}
    written = write_outputs(practice, issue)
    assert [path.name for path in written] == [
        "forecast.txt",
        "credits.txt",
        "forecast.csv",
        "visits-north.svg",
        "visits-north.png",
    ]
    assert drawn == ["a chart"]
    assert (folder / "visits-north.svg").read_text() == "a chart"
    assert {path.name for path in folder.iterdir()} == before


def test_without_visits_no_table_is_written(made, monkeypatch, tmp_path):
    """An empty table would be read as a forecast of nothing; the words say why there is none."""
    practice, issue = made
    kept = ["exposure_past", "exposure_ahead", "season_start", "season_peak", "season_end"]
    bare = replace(issue, id="bare", forecast=issue.forecast[[*kept, "listed"]])
    monkeypatch.setattr(outputs, "figures", lambda *_: iter([]))
    words, credit = write_outputs(practice, bare)
    assert set((practice.outbox_folder / "bare").iterdir()) == {words, credit}
    assert str(bare.forecast.attrs["credit"]) in credit.read_text()
    assert "Exposure and season dates only: no counts, no odds of visits" in words.read_text()


def test_the_answer_in_words_says_what_the_screen_says(made):
    """Invented, the late weather, and of each region its odds, why, and what is in the air."""
    practice, issue = made
    lines = (practice.outbox_folder / issue.id / "forecast.txt").read_text().splitlines()
    assert lines[0] == f"Made up: forecast as of 2022-06-27 (hindcast, issue {issue.id})"
    assert lines[1].startswith("Invented practice")
    assert "past years stand in for the day between." in lines[3]
    starts = ("Northton: ", "Northton, week of ", "Modelled exposure in Northton: ", "Southby: ")
    for line, start in zip(lines[4:8], starts, strict=True):
        assert line.startswith(start)
    assert lines[-1] == issue.forecast.attrs["credit"]


def test_evidence_is_kept_beside_them_with_what_is_not_known(made):
    """A number that is not known comes back as one; without evidence nothing is kept."""
    practice, issue = made
    few = Evidence("exposure", NOT_TOLD, float("nan"), 3, 0.1, float("nan"), float("nan"))
    write_evidence(practice, "abcdef123456", [few])
    (back,) = read_evidence(practice, "abcdef123456")
    assert (back.family, back.verdict, back.stretches, back.effect) == (
        "exposure",
        NOT_TOLD,
        3,
        0.1,
    )
    assert np.isnan([back.p_value, back.low, back.high]).all()
    assert read_evidence(practice, "0" * 12) is None
    assert read_evidence(practice, issue.id) is not None  # `forepaw issue` kept it
