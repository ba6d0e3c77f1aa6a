"""Tables given out as CSV: nothing in them runs when a spreadsheet program opens them."""

from __future__ import annotations

import csv
import io

import pytest

from forecast.csv_text import csv_text

# what OWASP's page on CSV injection names
STARTS = ["=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20"]


@pytest.mark.parametrize("start", STARTS, ids=ascii)
def test_a_cell_that_could_run_is_text(start):
    """A quotation mark stands before it; the cell beside it stays what it was."""
    rows = list(csv.reader(io.StringIO(csv_text(["a", "b"], [[f"{start}1+1", "x-y"]]), newline="")))
    kept = "\n" if start == "\r" else start
    assert rows == [["a", "b"], [f"'{kept}1+1", "x-y"]]


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"], ids=ascii)
def test_the_end_of_a_line_within_a_cell_begins_no_row(end):
    """What follows it would else be a cell of its own, and could run."""
    text = csv_text(["a", "b"], [[f"x{end}=1+1", "y"]])
    assert text == 'a,b\n"x\n=1+1",y\n'


def test_numbers_stay_numbers():
    """Only texts are touched: a count below zero is no formula."""
    assert csv_text(["n", "who"], [[-3, 'a "b", c']]) == 'n,who\n-3,"a ""b"", c"\n'
