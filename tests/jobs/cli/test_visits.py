"""`forepaw visits`: what a user sees, on visits that are handed to the commands."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import forecast.visits.labelling.desk as desk
from forecast.practice import create_practice, template
from jobs.cli import app


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Give a practice whose records hold 200 judged visits."""
    n = 200
    certainty = np.array(["definite", "probable", "possible", "none"] * 50)
    held = pd.DataFrame(
        {
            "reference": [f"v{number}" for number in range(n)],
            "branch": np.array(["high-street", "mill-lane"] * 100),
            "date": pd.Timestamp("2023-01-01") + pd.to_timedelta(np.arange(n) * 3, unit="D"),
            "dog": [f"d{number}" for number in range(n)],
            "vet": np.array(["AB", "CD"] * 100),
            "items": [("CONS",)] * n,
            "codes": [()] * n,
            "note": "itchy",
            "certainty": certainty,
            "exclusion": np.where(np.arange(n) % 20 == 1, "fleas found", ""),
            "evidence": "note: itchy",
            "kind": np.where(
                np.isin(certainty, ["definite", "probable"]) & (np.arange(n) % 20 != 1),
                "itch flare",
                "other",
            ),
        }
    )
    in_force = SimpleNamespace(version="ours 1 abc")
    monkeypatch.setattr(desk, "visits_with_evidence", lambda records: held)
    monkeypatch.setattr(desk, "definition_in_force", lambda records: in_force)
    path = tmp_path / "practice"
    create_practice(path, template())
    return path


def run(folder, *words: str) -> str:
    result = CliRunner().invoke(app, ["visits", *words, "--practice", str(folder)])
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_counts_are_printed_by_year_and_branch(folder):
    """With how sure they are, and what was excluded."""
    said = run(folder, "counts")
    assert "Visits by year and branch (ours 1 abc)" in said
    assert "2023 high-street 31 0 0 30 61" in said  # every second of 61 is definite: 31
    assert "probable 50 25.0 % 10" in said
    assert "fleas found: 10" in said


def test_a_sample_is_drawn_and_its_labels_told(folder):
    """Sheet, numbers, where it is; then shares, kappa, differences."""
    said = run(folder, "sample", "60")
    assert "60 visits to label" in said
    assert "definite 12" in said  # a fifth of 60
    (sheet,) = (folder / "outbox").glob("*.csv")
    rows = pd.read_csv(sheet, dtype=str, keep_default_na=False)
    filled = sheet.with_name("filled.csv")
    rows.assign(flare="yes", labeller="AB").to_csv(filled, index=False)
    said = run(folder, "agree", str(filled))
    assert "60 of 60 visits have a clear label." in said
    assert "Predictive value 100 %" in said
    assert "One labeller: agreement needs two on the same visits." in said
    assert "differences.csv" in said.replace(" ", "")
