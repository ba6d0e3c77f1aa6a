"""Samples of visits: the sheet in the outbox, labels read back, the differences listed."""

from __future__ import annotations

import stat

import numpy as np
import pandas as pd
import pytest

from forecast.practice import Practice, create_practice, template
from forecast.visits.labelling import LabellingError
from forecast.visits.labelling.desk import draw_sheet, report_labels
from forecast.visits.labelling.sample import drawn_visits

DEFINITION = "shipped 1 abc"


@pytest.fixture
def practice(tmp_path) -> Practice:
    return create_practice(tmp_path / "practice", template())


@pytest.fixture
def visits() -> pd.DataFrame:
    n = 300
    certainty = np.array(["definite", "probable", "possible", "none", "none"] * 60)
    kind = np.where(np.isin(certainty, ["definite", "probable"]), "itch flare", "other")
    return pd.DataFrame(
        {
            "reference": [f"v{number}" for number in range(n)],
            "branch": np.array(["a", "b"] * 150),
            "date": pd.Timestamp("2023-01-01") + pd.to_timedelta(np.arange(n), unit="D"),
            "dog": [f"d{number}" for number in range(n)],
            "vet": "AB",
            "items": [("CONS",)] * n,
            "codes": [()] * n,
            "note": "Mr Quill says itchy",
            "certainty": certainty,
            "exclusion": "",
            "evidence": "note: itchy",
            "kind": kind,
        }
    )


def fill(path, visits, drawn, *, wrong_every: int = 0, labeller: str = "AB"):
    """Fill a sheet as the definition has it, wrong at every so many numbers."""
    rows = pd.read_csv(path, dtype=str, keep_default_na=False)
    kinds = drawn_visits(drawn.sample, visits).set_index("number")["kind"]
    numbers = rows["number"].astype(int)
    flare = numbers.map(kinds) == "itch flare"
    if wrong_every:
        flare ^= numbers % wrong_every == 0
    filled = path.with_name(f"filled-{labeller}.csv")
    rows.assign(flare=np.where(flare, "yes", "no"), labeller=labeller).to_csv(filled, index=False)
    return filled


def test_a_sheet_is_drawn_filled_and_told(practice, visits):
    """Two vets, one of whom errs on every tenth: kappa, and their visits in a file."""
    drawn = draw_sheet(practice, visits, 100, definition=DEFINITION, seed=1)
    assert drawn.workbook.exists()
    files = [fill(drawn.csv, visits, drawn)]
    files.append(fill(drawn.csv, visits, drawn, wrong_every=10, labeller="CD"))
    report = report_labels(practice, visits, files, definition=DEFINITION)
    (kappa,) = report.agreement.kappas.values()
    assert kappa.agreed == pytest.approx(0.9)
    listed = pd.read_csv(report.differences, encoding="utf-8-sig")
    assert listed["number"].tolist() == list(range(10, 101, 10))
    assert set(listed["what"]) == {"labellers differ"}
    assert listed["labels"].str.fullmatch(r"AB: (yes|no), CD: (yes|no)").all()


def test_the_definitions_errors_are_listed_with_their_evidence(practice, visits):
    """One labeller, against the definition on every tenth."""
    drawn = draw_sheet(practice, visits, 50, definition=DEFINITION, seed=1)
    filled = fill(drawn.csv, visits, drawn, wrong_every=10)
    report = report_labels(practice, visits, [filled], definition=DEFINITION)
    listed = pd.read_csv(report.differences, encoding="utf-8-sig")
    assert listed["number"].tolist() == [10, 20, 30, 40, 50]
    assert set(listed["what"]) == {"definition differs"}
    assert set(listed["evidence"]) == {"note: itchy"}


def test_notes_are_readable_by_their_owner_alone(practice, visits):
    """They are as they were written, names and all."""
    drawn = draw_sheet(practice, visits, 50, definition=DEFINITION, seed=1)
    for path in (drawn.workbook, drawn.csv):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_sheet_that_may_be_filled_in_is_not_written_over(practice, visits):
    """The same draw again is refused; another seed is another sheet."""
    drawn = draw_sheet(practice, visits, 50, definition=DEFINITION, seed=1)
    before = drawn.workbook.read_bytes()
    with pytest.raises(LabellingError, match="is there already and may be filled in"):
        draw_sheet(practice, visits, 50, definition=DEFINITION, seed=1)
    assert drawn.workbook.read_bytes() == before
    assert draw_sheet(practice, visits, 50, definition=DEFINITION, seed=2).csv != drawn.csv


def test_labels_without_a_sample_are_refused(practice, visits, tmp_path):
    """What to do is said."""
    file = tmp_path / "labels.csv"
    file.write_text("sample,number,flare,labeller\nx,1,yes,AB\n")
    with pytest.raises(LabellingError, match="forepaw visits sample 100"):
        report_labels(practice, visits, [file], definition=DEFINITION)
