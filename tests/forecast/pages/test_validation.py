"""The record on real data as a page: what the generated text says, and nothing else."""

from __future__ import annotations

import csv
import io
from importlib.resources import files

from html_check import faults_of, text_of

from forecast.pages.validation import _sentences, _validation, validation_page

PART = """Weekly counts

Series of somebody. Made by a command.

### Relative weighted interval score by weeks ahead

| series | 1-4  | all  | in 90 % |
|--------|------|------|---------|
| one    | 0.30 | 0.40 | 0.87    |
| two    | 0.60 | 0.90 | 0.95    |

- The second bar was missed.
- Scored once.
"""


def test_the_generated_text_is_read_as_it_is_written():
    """Title, about, table and both notes."""
    one = _validation(PART)
    assert (one.title, one.about) == ("Weekly counts", "Series of somebody. Made by a command.")
    assert one.tables[0].columns == ("series", "1-4", "all", "in 90 %")
    assert one.tables[0].rows == (("one", "0.30", "0.40", "0.87"), ("two", "0.60", "0.90", "0.95"))
    assert one.notes == ("The second bar was missed.", "Scored once.")
    assert _sentences((one,)) == [
        "On 2 public series of weekly counts the same engine's error came to 0.40 to 0.90 of "
        "climatology's; its 90 % bands held 87 to 95 % of the weeks."
    ]


def test_no_line_of_the_record_is_lost():
    """Every heading, row and note of the file that comes with the models is on the page."""
    lines = files("models").joinpath("RECORD.md").read_text("utf-8").splitlines()
    validations = validation_page().validations
    tables = [table for one in validations for table in one.tables]
    rows = [line for line in lines if line.startswith("| ")]
    assert sum(1 + len(table.rows) for table in tables) == len(rows)
    assert [table.title for table in tables] == [x[4:] for x in lines if x.startswith("### ")]
    notes = [line[2:] for line in lines if line.startswith("- ")]
    assert [note for one in validations for note in one.notes] == notes
    assert len(validation_page().sentences) == 2


def test_anybody_may_read_it(browser):
    """As a page without faults, as JSON and as CSV."""
    answer = browser().get("/help/record")
    assert answer.status_code == 200
    assert faults_of(answer.text) == []
    said = text_of(answer.text)
    assert validation_page().sentences[0] in said
    told = browser().get("/help/record.json").json()
    assert len(told["validations"]) == len(validation_page().validations)
    rows = list(csv.DictReader(io.StringIO(browser().get("/help/record.csv").text)))
    assert {"table", "row", "column", "value"} == set(rows[0])
