"""Reading filled sheets back: what is kept, what becomes a finding."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.visits.labelling import (
    LabellingError,
    draw_sample,
    read_labels,
    sheet_csv,
    sheet_rows,
    sheet_workbook,
)
from forecast.visits.labelling.labels import consensus


@pytest.fixture(scope="module")
def sample(visits):
    return draw_sample(visits, 30, definition="shipped 1 abc", seed=1)


@pytest.fixture(scope="module")
def filled(visits, sample):
    """Give a function that fills the first rows of the sheet."""

    def fill(*answers: str, labeller: str = "AB") -> pd.DataFrame:
        rows = sheet_rows(sample, visits)
        rows.loc[: len(answers) - 1, "flare"] = list(answers)
        rows.loc[: len(answers) - 1, "labeller"] = labeller
        return rows

    return fill


def read(sample, *sheets: pd.DataFrame):
    files = [(sheet_csv(rows).encode(), f"{at}.csv") for at, rows in enumerate(sheets)]
    return read_labels(files, {sample.id: sample})


def test_answers_come_back_by_number_and_labeller(sample, filled):
    """In any case of letters, with usual other words; empty ones are counted, not kept."""
    labels = read(sample, filled("yes", "No", "UNSURE", "ja", "n", labeller="ab "))
    assert labels.rows["flare"].tolist() == ["yes", "no", "unsure", "yes", "no"]
    assert labels.rows["number"].tolist() == [1, 2, 3, 4, 5]
    assert set(labels.rows["labeller"]) == {"AB"}
    assert labels.n_blank == 25
    assert all(finding.severity == "note" for finding in labels.findings)


def test_a_workbook_is_read_like_the_csv(sample, filled):
    """As it leaves the spreadsheet program."""
    rows = filled("yes", "no", "unsure")
    book = read_labels([(sheet_workbook(rows), "filled.xlsx")], {sample.id: sample})
    pd.testing.assert_frame_equal(book.rows, read(sample, rows).rows)


def test_rows_in_another_order_mean_the_same(sample, filled):
    """The number tells the visit, not the place."""
    rows = filled("yes", "no", "yes", "no")
    turned = read(sample, rows.iloc[::-1]).rows.sort_values("number", ignore_index=True)
    pd.testing.assert_frame_equal(turned, read(sample, rows).rows)


@pytest.mark.parametrize(
    ("column", "value", "check", "found"),
    [
        ("flare", "perhaps", "unknown word", "'perhaps'"),
        ("labeller", "", "value is missing", "''"),
        ("number", "999", "no such visit in the sample", "'999'"),
        ("sample", "sample-other", "unknown word", "'sample-other'"),
    ],
)
def test_a_bad_row_is_a_finding_and_the_rest_is_kept(sample, filled, column, value, check, found):
    """With file, row, column and what was found."""
    rows = filled("yes", "no", "yes")
    rows.loc[1, column] = value
    labels = read(sample, rows)
    assert labels.rows["number"].tolist() == [1, 3]
    (finding,) = [f for f in labels.findings if f.severity == "error"]
    assert (finding.check, finding.row, finding.column, finding.found) == (check, 3, column, found)


def test_two_answers_of_one_labeller_keep_the_first(sample, filled):
    """Said aloud, as an error only where they differ."""
    labels = read(sample, filled("yes", "no"), filled("yes", "yes"))
    assert labels.rows["flare"].tolist() == ["yes", "no"]
    twice = [f for f in labels.findings if f.check == "answered twice by one labeller"]
    assert [f.severity for f in twice] == ["note", "error"]
    assert twice[1].found == "number 2 by AB: 'yes', before it 'no'"


def test_sheets_without_an_answer_are_refused(sample, filled):
    """What to do is said."""
    with pytest.raises(LabellingError, match="fill in the column 'flare'"):
        read(sample, filled())


def test_most_labellers_decide(sample):
    """A tie, or nobody sure, is unsure; who is unsure does not vote."""
    told = consensus(
        pd.DataFrame(
            [
                (1, "A", "yes"), (1, "B", "yes"), (1, "C", "no"),
                (2, "A", "yes"), (2, "B", "no"),
                (3, "A", "unsure"), (3, "B", "no"),
                (4, "A", "unsure"),
            ],
            columns=["number", "labeller", "flare"],
        )
    )  # fmt: skip
    assert told.to_dict() == {1: "yes", 2: "unsure", 3: "no", 4: "unsure"}
