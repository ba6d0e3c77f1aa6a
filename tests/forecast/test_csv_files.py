"""Files of our own formats: what is accepted with a note, what is refused in one sentence."""

from __future__ import annotations

import io
from datetime import date

import pytest
import xlsxwriter

from forecast.csv_files import SheetError, nothing_kept, read_bytes, read_csv

EARLIEST, TODAY = date(1990, 1, 1), date(2024, 6, 1)


def read(text: str | bytes, required=("dog", "date"), optional=()):
    content = text.encode() if isinstance(text, str) else text
    return read_csv(content, "file.csv", required=required, optional=optional)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"  \n\n", "is empty"),
        (b"dog,date\n", "no rows"),
        (b"PK\x03\x04....", "workbook"),
        ("dog,date\na,b\n".encode("utf-16")[:-1], "UTF-16"),
        (b"dog,date\n\x81\x8d,2024-01-01\n", "neither UTF-8"),
        (b"dog,dog\na,b\n", "two columns called 'dog'"),
    ],
)
def test_a_file_that_cannot_be_one_is_refused_in_one_sentence(content, words):
    """Nothing of such a file is used; the sentence names the file and what to do."""
    with pytest.raises(SheetError, match=words) as refused:
        read(content)
    assert str(refused.value).startswith("file.csv")
    assert "\n" not in str(refused.value)


def test_a_missing_column_names_it_what_is_there_and_what_to_rename():
    """The nearest column is offered."""
    with pytest.raises(SheetError, match="no column 'date'") as refused:
        read("dog,dates\na,2024-01-01\n")
    assert "rename 'dates' to 'date'" in str(refused.value)


def test_a_file_that_is_not_there_is_named(tmp_path):
    """No traceback for a wrong path."""
    with pytest.raises(SheetError, match=r"absent\.csv cannot be read: no such file"):
        read_bytes(tmp_path / "absent.csv")


def test_the_byte_order_mark_of_spreadsheets_is_no_part_of_the_first_column():
    """UTF-8 with a mark is read without a note."""
    table = read("\ufeffdog,date\na,2024-01-01\n".encode())
    assert list(table.rows.columns) == ["dog", "date"]
    assert table.findings == []


def test_our_own_formats_also_come_as_workbook_and_in_utf16():
    """Days and numbers of a workbook are cells of their own kind."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"default_date_format": "dd.mm.yyyy"}) as book:
        page = book.add_worksheet("Dogs")
        page.write_row(0, 0, ["Dog", "Date"])
        page.write_row(1, 0, [12, date(2024, 1, 1)])
    for content in (out.getvalue(), "dog\tdate\n12\t2024-01-01\n".encode("utf-16")):
        table = read(content)
        table.parse_days("date", earliest=EARLIEST, latest=TODAY)
        assert table.rows["dog"].tolist() == ["12"]
        assert f"{table.rows['date'].iloc[0]:%Y-%m-%d}" == "2024-01-01"
        assert table.findings == []


def test_a_quotation_mark_left_open_costs_its_line_and_no_more():
    """The cell keeps the mark, so the check of days takes the row out; the next row is good."""
    table = read('dog,date\na,"2024-01-01\nb,2024-01-02\n')
    table.parse_days("date", earliest=EARLIEST, latest=TODAY)
    assert table.rows["dog"].tolist() == ["b"]
    assert [(f.check, f.row) for f in table.findings] == [
        ("stray quotation mark", 2),
        ("not a day of the calendar", 2),
    ]


def test_windows_letters_are_accepted_with_a_note():
    """An accent in Windows-1252 comes through, and the reader is told to look."""
    table = read("dog,date\nZoé,2024-01-01\n".encode("cp1252"))
    assert table.rows["dog"].tolist() == ["Zoé"]
    assert [(f.check, f.severity) for f in table.findings] == [("encoding", "note")]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_the_separator_is_found_in_the_first_line(separator):
    """Spreadsheets of different countries write different separators."""
    table = read(separator.join(("dog", "date")) + "\n" + separator.join(("a", "2024-01-01")))
    assert table.rows["date"].tolist() == ["2024-01-01"]


def test_a_row_with_too_many_cells_is_left_out_and_the_rest_kept():
    """The row number is the one a spreadsheet shows."""
    table = read("dog,date\na,2024-01-01\nb,2024-01-02,x\nc,2024-01-03\n")
    assert table.rows["dog"].tolist() == ["a", "c"]
    assert [(f.row, f.found) for f in table.findings] == [(3, "3 cells")]
    assert table.n_read == 3


def test_columns_of_no_use_are_said():
    """A misspelt optional column is not lost silently."""
    table = read("dog,date,breeed\na,2024-01-01,x\n", optional=("breed",))
    note = table.findings[0]
    assert (note.check, note.found) == ("column not used", "breeed")
    assert "'breed'" in note.fix


def test_days_that_are_none_lie_ahead_or_too_far_back_are_left_out():
    """29 February exists in 2024 and not in 2023; other spellings are not guessed at."""
    days = ["2024-02-29", "2023-02-29", "01/02/2024", "2024-6-1", "2024-06-02", "1024-06-01", ""]
    table = read("dog,date\n" + "".join(f"d,{day}\n" for day in days))
    table.parse_days("date", earliest=EARLIEST, latest=TODAY)
    assert [f"{day:%Y-%m-%d}" for day in table.rows["date"]] == ["2024-02-29"]
    found = {f.row: f.check for f in table.findings}
    none = "not a day of the calendar"
    assert found == {
        3: none,
        4: none,
        5: none,
        8: none,
        6: "day lies in the future",
        7: "day is too old",
    }


def test_a_file_of_which_nothing_was_kept_quotes_the_first_fault():
    """The reason is in the sentence, not only in a list elsewhere."""
    table = read("dog,date\na,never\nb,soon\n")
    table.parse_days("date", earliest=EARLIEST, latest=TODAY)
    assert "none of its 2 rows could be kept" in str(nothing_kept(table))
    assert "'never'" in str(nothing_kept(table))
