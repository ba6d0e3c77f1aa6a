"""The sheet a vet fills in: blind, safe, and the same as workbook and as CSV."""

from __future__ import annotations

import io

import pandas as pd
import pytest

from forecast.visits.labelling import draw_sample, sheet_csv, sheet_rows, sheet_workbook
from forecast.visits.labelling.sheet import COLUMNS


@pytest.fixture(scope="module")
def sample(visits):
    return draw_sample(visits, 40, definition="shipped 1 abc", seed=1)


def test_the_sheet_shows_the_visit_and_not_the_verdict(visits, sample):
    """Nor the patient, the vet, the branch or the weight."""
    rows = sheet_rows(sample, visits)
    assert tuple(rows.columns) == COLUMNS
    assert rows["number"].tolist() == [str(number) for number in range(1, 41)]
    text = sheet_csv(rows)
    for hidden in ("definite", "probable", "fleas found", "itch flare", "dog1", "high-street"):
        assert hidden not in text
    assert (rows[["flare", "labeller", "remark"]] == "").all(axis=None)


def test_age_is_in_years_at_the_visit(visits, sample):
    """Not known stays empty; a birth after the visit is a slip and stays empty too."""
    born = visits.assign(birth_date=visits["date"] - pd.Timedelta(days=731))
    assert set(sheet_rows(sample, born)["age"]) == {"2.0"}
    later = visits.assign(birth_date=visits["date"] + pd.Timedelta(days=5))
    assert set(sheet_rows(sample, later)["age"]) == {""}
    assert set(sheet_rows(sample, visits.drop(columns="birth_date"))["age"]) == {""}


def test_nothing_in_the_sheet_runs_as_a_formula(visits, sample):
    """Every note begins with "="; the CSV quotes it, the workbook holds it as text."""
    rows = sheet_rows(sample, visits)
    assert "'=note" in sheet_csv(rows)
    from python_calamine import CalamineWorkbook

    book = CalamineWorkbook.from_filelike(io.BytesIO(sheet_workbook(rows)))
    cells = book.get_sheet_by_name("visits").to_python()
    assert cells[0] == list(COLUMNS)
    assert [row[COLUMNS.index("note")] for row in cells[1:]] == rows["note"].tolist()
