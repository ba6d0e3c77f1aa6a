"""Packed workbooks: what would unpack to too much is refused before the reader sees it."""

from __future__ import annotations

import io
import struct
import zipfile

import pytest
import xlsxwriter

from forecast.sheets import SheetError, read_sheet
from forecast.sheets.packed import refuse_unsafe


def workbook(cells) -> bytes:
    """Write a workbook of one sheet; cells are row and column from 0, and the text."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        sheet = book.add_worksheet()
        for row, column, text in cells:
            sheet.write_string(row, column, text)
    return out.getvalue()


def archive(members: dict[str, bytes], *, compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compression) as made:
        for name, content in members.items():
            made.writestr(name, content)
    return out.getvalue()


SMALL = workbook([(0, 0, "visit"), (0, 1, "date"), (1, 0, "V1"), (1, 1, "2024-05-31")])


def sheet_with(rows: str) -> bytes:
    """Put other rows into the sheet of a small workbook."""
    with zipfile.ZipFile(io.BytesIO(SMALL)) as held:
        members = {name: held.read(name) for name in held.namelist()}
    members["xl/worksheets/sheet1.xml"] = (
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        f"<sheetData>{rows}</sheetData></worksheet>"
    ).encode()
    return archive(members)


def test_a_workbook_as_programs_write_it_is_let_through():
    """And read."""
    refuse_unsafe(SMALL, "x.xlsx")
    assert read_sheet(SMALL, "x.xlsx").headings == ["visit", "date"]


def test_a_table_that_begins_far_right_is_let_through():
    """Fifty rows by a thousand columns between are fifty thousand cells."""
    made = workbook([(49, 999, "visit"), (50, 999, "V1")])
    assert read_sheet(made, "x.xlsx").n_read == 1


@pytest.mark.parametrize(
    "rows",
    [
        '<row r="1"><c r="A1" t="str"><v>a</v></c></row>'
        '<row r="1048576"><c r="XFD1048576" t="str"><v>b</v></c></row>',
        # rows without numbers, single quotes, blanks and small letters mean the same
        "<row><c r = 'a1'><v>1</v></c></row><row><c r='xfd1048576'><v>1</v></c></row>",
        # a wide first row and a long first column
        '<row><c r="XFD1"><v>1</v></c></row><row><c r="A1048576"><v>1</v></c></row>',
        '<row r="1"><c r="XFD1"><v>1</v></c></row><row r="1048576"><c><v>1</v></c></row>',
    ],
)
def test_a_cell_in_a_far_corner_is_refused(rows):
    """The reader would hold a place for 17 thousand million cells, and the process would end."""
    with pytest.raises(SheetError, match=r"reaches to row 1,048,576 and column 16,384"):
        read_sheet(sheet_with(rows), "far.xlsx")


def test_places_that_stand_across_two_pieces_are_seen(monkeypatch):
    """A member is unpacked piece by piece."""
    monkeypatch.setattr("forecast.sheets.packed._PIECE", 1000)
    filler = "".join(f'<row r="{n}"><c r="A{n}"><v>1</v></c></row>' for n in range(1, 400))
    far = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    for shift in range(0, 60, 7):
        with pytest.raises(SheetError, match="reaches to row"):
            refuse_unsafe(sheet_with(filler + " " * shift + far), "far.xlsx")


def test_a_member_that_unpacks_to_gigabytes_is_refused():
    """Zeros pack to a thousandth; 40 MB of them are enough to tell."""
    made = archive({"xl/worksheets/sheet1.xml": b"0" * 40_000_000})
    assert len(made) < 100_000
    with pytest.raises(SheetError, match=r"is 0\.0 MB and unpacks to over 2\d MB"):
        refuse_unsafe(made, "bomb.xlsx")


def test_what_an_archive_says_of_its_size_is_not_believed():
    """The sizes in its directory are set to 10 bytes."""
    made = bytearray(archive({"xl/worksheets/sheet1.xml": b"0" * 40_000_000}))
    directory = made.index(b"PK\x01\x02")
    struct.pack_into("<L", made, directory + 24, 10)
    with zipfile.ZipFile(io.BytesIO(bytes(made))) as held:
        assert held.infolist()[0].file_size == 10
    with pytest.raises(SheetError, match="unpacks to over"):
        refuse_unsafe(bytes(made), "liar.xlsx")


@pytest.mark.parametrize("name", ["xl/embeddings/more.zip", "inner.xlsx", "a/B.7Z", "x.gz"])
def test_an_archive_in_an_archive_is_refused(name):
    """Whatever the case of its name."""
    with pytest.raises(SheetError, match="holds another file in it"):
        refuse_unsafe(archive({name: b"PK"}), "nested.xlsx")


def test_too_many_members_are_refused():
    """A workbook has dozens."""
    made = archive({f"m{n}": b"" for n in range(2001)}, compression=zipfile.ZIP_STORED)
    with pytest.raises(SheetError, match="holds 2,001 parts, a workbook at most 2,000"):
        refuse_unsafe(made, "many.xlsx")


def test_a_broken_or_truncated_archive_is_refused():
    """At every place where it may have broken off."""
    for n in range(4, len(SMALL) - 1, 97):
        with pytest.raises(SheetError):
            read_sheet(SMALL[:n], "part.xlsx")


def test_another_way_of_packing_is_refused():
    """Workbooks know stored and deflated members."""
    made = archive({"xl/workbook.xml": b"x"}, compression=zipfile.ZIP_LZMA)
    with pytest.raises(SheetError, match="packed in a way that workbooks are not"):
        refuse_unsafe(made, "x.xlsx")
