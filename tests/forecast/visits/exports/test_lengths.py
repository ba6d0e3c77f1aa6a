"""How long a visit took: minutes, or begin and end; what cannot be one is said and not known."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from forecast.sheets import read_sheet
from forecast.visits.exports.gathering import gather
from forecast.visits.exports.layout import parse_layout
from forecast.visits.exports.lengths import IMPLAUSIBLE, NO_LENGTH
from forecast.visits.exports.lines import Lines, read_lines
from forecast.visits.exports.written_days import day_and_clock

COLUMNS = '[columns]\nvisit = "No"\ndate = "Day"\npatient = "Dog"\nitem = "Item"\n'
MINUTES, SPANS = 'minutes = "Took"\n', 'begins = "From"\nends = "To"\n'


def read(headings: str, *rows: str, more: str) -> Lines:
    text = 'branch = "high"\ndecimal = "."\n' + COLUMNS + more
    sheet = read_sheet("\n".join([f"No;Day;Dog;Item;{headings}", *rows]).encode(), "l.csv")
    layout = parse_layout(text, "layouts/l.toml")
    return read_lines(sheet, layout, branches={"high": "High"}, today=date(2024, 5, 31))


@pytest.mark.parametrize(
    ("cell", "minutes"),
    [("20", 20.0), ("12.5", 12.5), ("0:25", 25.0), ("", np.nan), ("20 min", 20.0), ("240", 240.0)],
)
def test_minutes_are_read_as_numbers_or_as_hours_and_minutes(cell, minutes):
    lines = read("Took", f"1;2024-05-13;P1;CONS;{cell}", more=MINUTES)
    np.testing.assert_equal(lines.rows["minutes"].tolist(), [minutes])
    assert lines.findings == []


@pytest.mark.parametrize(
    ("begins", "ends", "minutes"),
    [
        ("09:05", "09:25", 20.0),
        ("2024-05-13 09:05", "2024-05-13T10:00:00", 55.0),
        ("9:50 am", "1:10 pm", 200.0),
        ("09:05", "", np.nan),
    ],
)
def test_begin_and_end_give_the_minutes_between(begins, ends, minutes):
    lines = read("From;To", f"1;2024-05-13;P1;CONS;{begins};{ends}", more=SPANS)
    np.testing.assert_equal(lines.rows["minutes"].tolist(), [minutes])
    assert lines.findings == []


def test_a_length_that_cannot_be_one_is_not_known_and_its_row_kept():
    """Zero is nothing recorded, and 721 minutes an appointment that nobody closed."""
    rows = ("1;2024-05-13;P1;CONS;0", "2;2024-05-13;P2;CONS;721", "3;2024-05-13;P3;CONS;long")
    lines = read("Took", *rows, more=MINUTES)
    assert lines.rows["minutes"].isna().all()
    assert (len(lines.rows), lines.n_left_out) == (3, 0)
    said = {one.row: one for one in lines.findings}
    assert (said[2].check, said[2].severity) == (IMPLAUSIBLE, "warning")
    assert said[3].sentence == (
        "l.csv row 3 column Took: implausible length of a visit: 721 minutes; allowed: 1 to 240 "
        "minutes, or nothing; the length is taken as not known, the visit counts"
    )
    assert said[4].check == "not a number"


def test_an_end_before_its_begin_or_of_another_day_is_no_length():
    rows = ("1;2024-05-13;P1;CONS;10:00;09:00", "2;2024-05-13;P2;C;2024-05-13 9:00;2024-05-14 9:20")
    lines = read("From;To", *rows, more=SPANS)
    assert lines.rows["minutes"].isna().all()
    said = {one.row: (one.check, one.found) for one in lines.findings}
    assert said[2] == (IMPLAUSIBLE, "-60 minutes")
    assert said[3] == (NO_LENGTH, "'2024-05-13 9:00' to '2024-05-14 9:20'")


def test_a_visit_of_several_lines_is_as_long_as_its_longest_line_says():
    rows = (
        *("1;2024-05-13;P1;CONS;20", "1;2024-05-13;P1;TABS;", "1;2024-05-13;P1;SCRAPE;30"),
        "2;2024-05-13;P2;CONS;",
    )
    found = gather(read("Took", *rows, more=MINUTES)).visits.set_index("patient")["minutes"]
    assert found["P1"] == 30.0
    assert np.isnan(found["P2"])


@pytest.mark.parametrize(
    ("cell", "parts"),
    [
        ("09:05", ("", 32_700)),
        ("2024-05-13 09:05:30", ("2024-05-13", 32_730)),
        ("2024-05-13T9:05", ("2024-05-13", 32_700)),
        ("25:00", ("", None)),
        ("2024-05-13", ("2024-05-13", None)),
        ("", ("", None)),
    ],
)
def test_a_cell_is_a_day_and_a_time_of_day(cell, parts):
    assert day_and_clock(cell) == parts
