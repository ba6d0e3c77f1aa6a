"""Sheets: what a file is, told from its bytes; what is odd about it, said row by row."""

from __future__ import annotations

import io
from datetime import date, datetime, time

import pytest
import xlsxwriter

from forecast.sheets import SheetError, read_sheet
from forecast.sheets.workbook import as_text

TEXT = "visit;day;note\nV1;13.05.2024;Zoë juckt\nV2;14.05.2024;müde\n"


def read(content: str | bytes, **how):
    data = content.encode() if isinstance(content, str) else content
    return read_sheet(data, "file.csv", **how)


def cells(sheet) -> list[list[str]]:
    return sheet.rows.astype(str).values.tolist()


def found(sheet) -> list[tuple[str, str, int | None]]:
    return [(f.severity, f.check, f.row) for f in sheet.findings]


# ------------------------------------------------------------------------------------- encodings
@pytest.mark.parametrize(
    ("encoding", "name", "remarks"),
    [
        ("utf-8", "UTF-8", []),
        ("utf-8-sig", "UTF-8", []),
        ("utf-16", "UTF-16", []),
        ("utf-16-le", "UTF-16", [("note", "encoding", None)]),
        ("utf-16-be", "UTF-16", [("note", "encoding", None)]),
        ("utf-32", "UTF-32", []),
        ("cp1252", "Windows-1252", [("note", "encoding", None)]),
    ],
)
def test_every_usual_encoding_gives_the_same_cells(encoding, name, remarks):
    """What was decided without a mark is said."""
    sheet = read(TEXT.encode(encoding))
    assert cells(sheet) == [["V1", "13.05.2024", "Zoë juckt"], ["V2", "14.05.2024", "müde"]]
    assert (sheet.encoding, sheet.delimiter, found(sheet)) == (name, ";", remarks)


def test_big_endian_with_its_mark_is_read_too():
    """The mark decides the order of the bytes."""
    sheet = read(b"\xfe\xff" + TEXT.encode("utf-16-be"))
    assert sheet.rows["note"].tolist() == ["Zoë juckt", "müde"]


def test_a_few_lines_in_windows_letters_do_not_spoil_a_utf8_file():
    """Two programs wrote into one file: each line is read as it was written, and that is said."""
    lines = [f"V{n};13.05.2024;größer".encode() for n in range(5)]
    lines[3] = "V3;13.05.2024;größer".encode("cp1252")
    sheet = read(b"visit;day;note\n" + b"\n".join(lines))
    assert sheet.rows["note"].tolist() == ["größer"] * 5
    assert "but for 1 lines (the first is 5)" in sheet.findings[0].found


def test_a_letter_on_the_edge_of_a_decoded_block_is_no_fault():
    """A two-byte letter across the first million bytes."""
    filler = "x" * ((1 << 20) - len("a;b\n1;") - 1)
    sheet = read(f"a;b\n1;{filler}äy\n")
    assert sheet.rows["b"].tolist() == [f"{filler}äy"]
    assert sheet.findings == []


def test_the_row_of_a_fault_is_right_behind_a_letter_on_the_edge_of_a_block():
    """Two bytes of a sign before the edge, one behind it, and the fault at the end of a line."""
    head = b"a;b\n1;"
    filler = b"x" * ((1 << 20) - len(head) - 2)
    with pytest.raises(SheetError, match=r"neither UTF-8 \(row 3\)"):
        read(head + filler + "€".encode() + b"\n2;x\x81\n3;y\n")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b" \r\n\n", "is empty"),
        (b"a;b\n\x81\x8d;1\n", "neither UTF-8 .row 2. nor Windows-1252"),
        (TEXT.encode("utf-16")[:-1], "breaks off"),
        (b"\x00\x01\x02\x03" * 50, "is no text"),
        (b"PK\x03\x04....", "looks like a workbook and cannot be read"),
        (b"\xd0\xcf\x11\xe0....", "looks like a workbook and cannot be read"),
        (b"<html><table><tr><td>a</td></tr></table></html>", "is a web page"),
        (b"1;2;3\n4;5;6\n", "no line of headings"),
    ],
)
def test_what_is_no_table_is_refused_in_one_sentence(content, words):
    """The sentence names the file and says what to do."""
    with pytest.raises(SheetError, match=words) as refused:
        read(content)
    assert str(refused.value).startswith("file.csv")
    assert "\n" not in str(refused.value)


# ------------------------------------------------------------------------------------ separators
@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_the_separator_is_the_one_that_cuts_the_lines_alike(mark):
    """Not the one that is frequent in a single line."""
    rows = [["visit", "day", "note"], ["V1", "13.05.2024", "x"], ["V2", "14.05.2024", "y"]]
    sheet = read("\n".join(mark.join(row) for row in rows))
    assert sheet.delimiter == mark
    assert sheet.headings == ["visit", "day", "note"]


def test_commas_in_numbers_and_notes_are_no_separators():
    """A title full of commas, decimal commas in every row, and a heading without any."""
    sheet = read(
        "Takings, by line, of May, in euro\nvisit;price;net\nV1;10,50;9,45\nV2;1.200,00;1.000,00\n"
    )
    assert sheet.delimiter == ";"
    assert cells(sheet) == [["V1", "10,50", "9,45"], ["V2", "1.200,00", "1.000,00"]]


def test_a_separator_may_be_declared():
    """The first line that some spreadsheet programs write and obey."""
    sheet = read("sep=|\na|b;c;d\n1|x;y;z\n")
    assert sheet.delimiter == "|"
    assert cells(sheet) == [["1", "x;y;z"]]


def test_quoted_notes_with_line_breaks_do_not_mislead_about_the_separator():
    """Few rows, all of them broken over lines: the pieces are no rows."""
    note = '"no itch\nseen with; the owner"'
    sheet = read(f"a,b,c\n1,{note},2\n3,{note},4\n")
    assert sheet.delimiter == ","
    assert sheet.rows["b"].tolist() == ["no itch\nseen with; the owner"] * 2
    assert sheet.rows.index.tolist() == [2, 3]


# --------------------------------------------------------------------------------- stray marks
def test_a_mark_that_is_left_open_costs_its_own_line_only():
    """The lines after it stay what they are."""
    sheet = read('a;b;c;d\n1;"open;3;4\n5;6;7;8\n9;10;11;12\n')
    assert cells(sheet) == [["1", '"open', "3", "4"], ["5", "6", "7", "8"], ["9", "10", "11", "12"]]
    assert found(sheet) == [("warning", "stray quotation mark", 2)]


def test_two_stray_marks_far_apart_do_not_swallow_what_stands_between():
    """Together they would make one record of four cells out of three lines."""
    sheet = read('a;b;c;d\n1;"itchy;x;y\n5;6;7;8\n9;licks 12";x;y\n')
    assert sheet.rows["a"].tolist() == ["1", "5", "9"]
    assert found(sheet) == [("warning", "stray quotation mark", row) for row in (2, 4)]


def test_a_line_that_a_stray_mark_makes_unreadable_is_left_out():
    """It has too few cells however it is cut; its number is told."""
    sheet = read('a;b;c;d\n1;"open;3\n5;6;7;8\n')
    assert cells(sheet) == [["5", "6", "7", "8"]]
    assert found(sheet) == [("error", "stray quotation mark", 2)]
    assert sheet.n_read == 2


def test_an_open_mark_at_the_end_of_a_long_file_is_found():
    """Across the blocks in which a file is read."""
    n = 20_001
    lines = [f"{i};x;y;z" for i in range(n)]
    lines[n - 2] = f'{n - 2};"x;y;z'
    lines[5] = '5;"a note\nover lines";y;z'
    sheet = read("a;b;c;d\n" + "\n".join(lines))
    assert len(sheet.rows) == n
    assert found(sheet) == [("warning", "stray quotation mark", n)]
    assert sheet.rows["b"].iloc[5] == "a note\nover lines"
    assert sheet.rows["a"].iloc[-1] == str(n - 1)


# ------------------------------------------------------------------------ headings and closing
def test_title_lines_above_and_totals_below_are_no_rows():
    """Rows keep the numbers that a spreadsheet shows."""
    sheet = read("Takings;;\nof May;;\n\nvisit;day;note\nV1;x;y\n\nTotal;;3\n1 row exported\n")
    assert sheet.heading_row == 4
    assert sheet.rows.index.tolist() == [5]
    assert [f.row for f in sheet.findings if f.check == "line below the table"] == [7, 8]
    assert sheet.n_read == 1


def test_a_full_row_that_begins_like_a_total_is_a_row():
    """A patient may be called Total, and a dog Page."""
    sheet = read("visit;day;note\nV1;x;y\nTotal;x;y\n")
    assert len(sheet.rows) == 2


def test_known_headings_settle_where_they_stand():
    """Without them, the first line of words would be taken."""
    content = "Clinic;North;Printed;Monday\nvisit;day;note;vet\nV1;x;y;z\n"
    assert read(content).heading_row == 1
    assert read(content, expected=[["Day", "VISIT"]]).heading_row == 2


def test_columns_get_names_that_differ_and_empty_ones_go():
    """A second column of a name gets a number, a nameless one its place."""
    sheet = read("day;;Day;day;;\n1;2;3;4;;\n5;6;7;8;;\n")
    assert sheet.headings == ["day", "column 2", "Day", "day (2)"]
    assert sheet.repeated == ("day", "Day")


def test_rows_that_are_too_long_or_too_short_are_told_one_by_one():
    """Empty cells at the end are cut off only where the whole table has them."""
    sheet = read("a;b;c\n1;2;3\n4;5\n6;7;8;9\n10;11;12;\n13;14;15\n16;17;18\n")
    assert sheet.rows.index.tolist() == [2, 6, 7]
    assert [(f.row, f.found) for f in sheet.findings] == [
        (3, "2 cells"),
        (4, "4 cells"),
        (5, "4 cells"),
    ]
    assert sheet.n_read == 6
    everywhere = read("a;b;c\n1;2;3;\n4;5;6;\n")
    assert cells(everywhere) == [["1", "2", "3"], ["4", "5", "6"]]
    assert everywhere.findings == []


def test_headings_in_the_middle_are_no_row():
    """Two exports pasted one below the other."""
    sheet = read("a;b\n1;2\na;b\n3;4\n")
    assert cells(sheet) == [["1", "2"], ["3", "4"]]
    assert [(f.check, f.found) for f in sheet.findings] == [
        ("headings repeated", "1 lines were not read")
    ]


def test_cells_are_stripped_and_texts_kept_once():
    """A million lines hold few distinct texts."""
    sheet = read("a;b\n x ;\u00a0y\nx;y \n")
    assert cells(sheet) == [["x", "y"], ["x", "y"]]
    assert list(sheet.rows["a"].cat.categories) == ["x"]


def test_a_thousand_odd_lines_are_listed_and_more_are_counted():
    """Warnings nobody could read are counted instead."""
    sheet = read("a;b;c;d\n" + '1;"x;y;z\n' * 1_200)
    assert len(sheet.findings) == 1_001
    assert sheet.findings[-1].found == "200 more rows, the last is row 1201"


# ------------------------------------------------------------------------------------ workbooks
def workbook(*sheets: tuple[str, list[list[object]]]) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"default_date_format": "dd.mm.yyyy hh:mm"}) as book:
        for name, rows in sheets:
            page = book.add_worksheet(name)
            for at, row in enumerate(rows):
                page.write_row(at, 0, row)
    return out.getvalue()


def test_a_workbook_gives_text_without_loss():
    """Whole numbers without a point, days in ISO, midnight left away."""
    content = workbook(
        (
            "Lines",
            [
                ["Takings"],
                [],
                ["visit", "day", "seen", "price", "paid"],
                [1001, date(2024, 5, 13), datetime(2024, 5, 13, 14, 5), 12.0, True],
                ["1002", "13.05.2024", datetime(2024, 5, 13), 0.1, False],
            ],
        )
    )
    sheet = read(content)
    assert cells(sheet) == [
        ["1001", "2024-05-13", "2024-05-13 14:05:00", "12", "yes"],
        ["1002", "13.05.2024", "2024-05-13", "0.1", "no"],
    ]
    assert (sheet.heading_row, sheet.sheet, sheet.encoding) == (3, "Lines", "")
    assert sheet.rows.index.tolist() == [4, 5]


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (1e-7, "0.0000001"),
        (-3.0, "-3"),
        (1234567890123.0, "1234567890123"),
        (2.5, "2.5"),
        (time(8, 30), "08:30:00"),
        (7, "7"),
        (None, ""),
    ],
)
def test_a_typed_cell_is_written_without_exponent_or_loss(cell, text):
    """What a person sees in the cell, not how a machine holds it."""
    assert as_text(cell) == text


def test_the_sheet_with_the_table_is_taken_and_the_others_are_named():
    """The longest, unless another one has headings that are known."""
    notes = ("Read me", [["visit", "day"], ["V0", "x"]])
    lines = ("Lines", [["visit", "note"], *([["V1", "y"]] * 5)])
    assert read(workbook(notes, lines)).sheet == "Lines"
    sheet = read(workbook(notes, lines), expected=[["visit", "day"]])
    assert sheet.sheet == "Read me"
    assert [(f.check, f.found) for f in sheet.findings] == [("sheets not read", "Lines")]


def test_an_empty_workbook_is_refused():
    """Nothing can be read of nothing."""
    with pytest.raises(SheetError, match="nothing in it"):
        read(workbook(("Empty", [])))


def test_the_progress_is_told_up_to_the_end():
    """In shares of the file."""
    told: list[float] = []
    read("a;b\n" + "1;2\n" * 50_000, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) >= 3
