"""Lines: typed cells, what is asked before a file is read, what is said and kept all the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from forecast.sheets import Sheet, read_sheet
from forecast.visits.exports.layout import Layout, LayoutError, parse_layout
from forecast.visits.exports.lines import Lines, open_questions, read_lines

BRANCHES = {"high": "High Street", "low": "Low Road"}
TODAY = date(2024, 5, 31)
HEADINGS = "No;Day;Entered;Site;Dog;Item;Code;Qty;Price;State;Kind;Name"
LAYOUT = parse_layout(
    """
[columns]
visit = "No"
date = "Day"
entered = "Entered"
branch = "Site"
patient = "Dog"
item = "Item"
code = "Code"
quantity = "Qty"
amount = "Price"
status = "State"
species = "Kind"
patient_name = "Name"
[branches]
"High St" = "high"
[statuses]
"VOID" = "voided"
[patients]
test = ["Test"]
[items]
"Skin  Consult" = "skin consultation"
"C7" = "food"
""",
    "layouts/l.toml",
)


def sheet_of(*rows: str) -> Sheet:
    return read_sheet("\n".join([HEADINGS, *rows]).encode(), "l.csv")


def read(*rows: str, layout: Layout = LAYOUT) -> Lines:
    return read_lines(sheet_of(*rows), layout, branches=BRANCHES, today=TODAY)


def asked(*rows: str, layout: Layout = LAYOUT, branches=BRANCHES) -> list[tuple[str, ...]]:
    found = open_questions(sheet_of(*rows), layout, branches=branches, today=TODAY)
    return [question.key for question in found]


def test_cells_become_what_they_are():
    """Days, stamps, numbers, our branches and classes; nothing known is empty."""
    lines = read(
        "1;13.05.2024;13.05.2024 10:30;High St;P-1;skin consult;C1;1,5;-12,50;;Dog;Rex",
        "2;14.05.2024;;Low Road;P-2;;C7;;;VOID;;",
    )
    assert lines.findings == []
    assert (lines.n_read, lines.n_left_out) == (2, 0)
    row = lines.rows.loc[2]
    assert row["date"] == pd.Timestamp("2024-05-13")
    assert row["entered"] == pd.Timestamp("2024-05-13 10:30")
    assert (row["quantity"], row["amount"]) == (1.5, -12.5)
    words = ["branch", "item", "item_class", "status", "species", "note", "vet"]
    assert row[words].tolist() == [
        "high",
        "skin consult",
        "skin consultation",
        "counts",
        "dog",
        "",
        "",
    ]
    row = lines.rows.loc[3]
    assert row[words].tolist() == ["low", "C7", "food", "voided", "", "", ""]
    assert pd.isna(row["entered"])
    assert np.isnan(row["quantity"])


def test_an_item_is_classed_by_its_text_or_else_by_its_code():
    """What neither classes is counted by its string, the most frequent first."""
    day = "13.05.2024;;High St;P-1"
    lines = read(
        f"1;{day};Lead;C9;;;;;",
        f"1;{day};Bowl;C7;;;;;",
        f"1;{day};Cone;;;;;;",
        f"1;{day};Cone;;;;;;",
        f"1;{day};;;;;;;",
    )
    assert lines.rows["item_class"].tolist() == ["", "food", "", "", ""]
    assert lines.unmapped.to_dict() == {"Cone": 2, "Lead": 1}


def test_the_order_of_one_column_serves_the_other():
    """Stamps that prove nothing follow the days that do."""
    lines = read("1;13/05/2024;04/05/2024 10:00;High St;P-1;;;;;;;")
    assert lines.rows["entered"].iloc[0] == pd.Timestamp("2024-05-04 10:00")


def test_the_mark_of_one_column_serves_the_other():
    """1,000 is one where another column proves the comma; without proof it is asked."""
    proving = "1;13.05.2024;;High St;P-1;;;1,000;45,00;;;"
    assert read(proving).rows["quantity"].tolist() == [1.0]
    silent = "1;13.05.2024;;High St;P-1;;;1,000;45;;;"
    assert asked(silent) == [("decimal",)]
    point = replace(LAYOUT, decimal=".")
    assert read(silent, layout=point).rows["quantity"].tolist() == [1000.0]


@pytest.mark.parametrize(
    ("row", "change", "words"),
    [
        ("1;05/13/2024;;High St;P-1;;;;;;;", {"day_order": "day month year"}, "month day year"),
        ("1;13.05.2024;;High St;P-1;;;1,5;;;;", {"decimal": "."}, "only be read with a comma"),
        ("1;13.05.2024;;High St;P-1;;;;;;;", {"branches": {"x": "hgh"}}, "did you mean 'high'"),
        ("1;13.05.2024;;High St;P-1;;;;;;;", {"branch": "hgh"}, "did you mean 'high'"),
    ],
)
def test_a_layout_that_the_file_contradicts_is_refused(row, change, words):
    """A wrong answer is not obeyed."""
    with pytest.raises(LayoutError, match=words):
        read(row, layout=replace(LAYOUT, **change))


def test_all_open_questions_come_at_once_with_their_lines():
    """One round of answers is enough."""
    text = LAYOUT.text.replace('"VOID" = "voided"', '"VOID" = ""\n"OTHER" = ""').replace(
        '"High St" = "high"', '"High St" = ""'
    )
    layout = parse_layout(text, "layouts/l.toml")
    row = "1;03/04/2024;;High St;P-1;;;1,000;;VOID;;"
    # OTHER is no question, as this file does not use it
    assert asked(row, layout=layout) == [
        ("day_order",),
        ("decimal",),
        ("branches", "High St"),
        ("statuses", "VOID"),
    ]
    with pytest.raises(LayoutError) as refused:
        read(row, layout=layout)
    lines = [part.split(":")[0] for part in str(refused.value).split("; ") if "layouts/" in part]
    # day_order and decimal are not in the file yet: the sentence names the file alone
    assert lines == [
        "layouts/l.toml",
        "layouts/l.toml",
        "layouts/l.toml line 16",
        "layouts/l.toml line 18",
    ]


def test_a_file_without_a_column_of_the_branch_needs_one_named():
    """Unless the practice has only one."""
    columns = {name: h for name, h in LAYOUT.columns.items() if name != "branch"}
    layout = replace(LAYOUT, columns=columns, branches={})
    row = "1;13.05.2024;;;P-1;;;;;;;"
    assert asked(row, layout=layout) == [("branch",)]
    assert read(row, layout=replace(layout, branch="low")).rows["branch"].tolist() == ["low"]
    assert asked(row, layout=layout, branches={"only": "Only"}) == []
    assert asked(row, layout=layout, branches={}) == [("branches",)]


def test_what_may_be_unknown_keeps_its_row():
    """A stamp or number that cannot be read is said and not known."""
    lines = read("1;13.05.2024;noon;High St;P-1;;;one;12 50;;;")
    assert [(f.check, f.severity, f.column) for f in lines.findings] == [
        ("not a time", "warning", "Entered"),
        ("not a number", "warning", "Qty"),
        ("not a number", "warning", "Price"),
    ]
    assert lines.n_left_out == 0


def test_a_row_with_several_faults_is_left_out_once_and_all_are_said():
    """Each fault with the cell as it stands in the file."""
    lines = read("1;13.05.2024;;High St;P-1;;;;;;;", ";31.02.2024;;Mill Ln;;;;;;PENDING;;")
    assert lines.rows.index.tolist() == [2]
    assert lines.n_left_out == 1
    assert {(f.column, f.check, f.found) for f in lines.findings} == {
        ("Day", "not a day of the calendar", "'31.02.2024'"),
        ("Site", "unknown branch", "'Mill Ln'"),
        ("State", "unknown status", "'PENDING'"),
        ("Dog", "neither visit nor patient", "''"),
    }
    assert all(f.row == 3 and f.fix for f in lines.findings)


def test_tests_are_told_by_number_or_name_and_are_no_fault():
    """Whatever else is wrong with them."""
    lines = read(
        "1;13.05.2024;;High St;P-1;;;;;;;",
        "2;never;;Mill Ln;TEST;;;;;;;",
        "3;13.05.2024;;High St;P-7;;;;;;;test",
    )
    assert lines.rows["patient"].tolist() == ["P-1"]
    assert [(f.check, f.found) for f in lines.findings] == [
        ("test patients left out", "'Test' 2 lines")
    ]
    assert lines.tally["lines of test patients"] == 2


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        *[(word, "dog") for word in ("Dog", "CANINE", "Hund (Mischling)", "dog - crossbreed")],
        *[(word, "other") for word in ("Cat", "Prairie dog", "Hundehai", "doggerel", "Kaninchen")],
        ("", ""),
    ],
)
def test_a_species_is_a_dog_only_by_its_own_words(word, kind):
    """Anything else counts as a consultation; an empty cell tells of no other animal."""
    lines = read(f"1;13.05.2024;;High St;P-1;;;;;;{word};")
    assert lines.rows["species"].tolist() == [kind]


def test_times_with_an_offset_are_remarked_on_while_no_zone_is_named():
    """The day as written may not be the day at the practice."""
    row = "1;2024-05-13T23:30:00Z;;High St;P-1;;;;;;;"
    lines = read(row)
    assert [f.check for f in lines.findings] == ["times with an offset from UTC"]
    assert lines.rows["date"].dt.day.tolist() == [13]
    lines = read(row, layout=replace(LAYOUT, time_zone="Asia/Seoul"))
    assert lines.findings == []
    assert lines.rows["date"].dt.day.tolist() == [14]


def test_a_workbook_s_own_numbers_come_with_a_point_whatever_the_layout_says():
    """Only its texts with a comma are in question."""
    sheet = replace(
        sheet_of(
            "1;13.05.2024;;High St;P-1;;;1.5;1,234;;;", "1;13.05.2024;;High St;P-1;;;2;2,5;;;"
        ),
        encoding="",
    )
    lines = read_lines(sheet, LAYOUT, branches=BRANCHES, today=TODAY)
    assert lines.rows["quantity"].tolist() == [1.5, 2.0]
    assert lines.rows["amount"].tolist() == [1.234, 2.5]
