"""One owner's rows go out of a raw file, the rest stays byte for byte."""

from __future__ import annotations

import codecs
import io

import pytest
import xlsxwriter

from forecast.visits.exports.layout import parse_layout
from forecast.visits.exports.redacting import (
    DOG,
    OWNER,
    RedactionError,
    Theirs,
    part,
    part_findings,
)

LAYOUT = parse_layout(
    """
[columns]
visit = "Invoice"
date = "Date"
patient = "Patient"
client = "Client"
note = "Note"
[merged]
"P-old" = "P1"
""",
    "layouts/desk.toml",
)
HEAD = "Front desk, printed 2024\n\nInvoice;Date;Patient;Client;Note\n"


def theirs(owners: tuple = ("K1",), dogs: tuple = ("P1",), names: tuple = ()) -> Theirs:
    held = {OWNER: owners, DOG: dogs}
    return Theirs(lambda kind, number: number in held[kind], names)


def parted(text: str, who: Theirs, layouts=(LAYOUT,), codec: str = "utf-8"):
    found = part(text.encode(codec), "x.csv", layouts=layouts, theirs=who)
    return found.content.decode(codec), found.rows


def test_rows_of_the_owner_and_of_the_dogs_go_and_others_stay():
    """By either number; the number that was given up in a merging is the dog's too."""
    text = HEAD + (
        "1;2024-05-06;P1;K1;itchy\n"
        "2;2024-05-06;P2;K2;fine\n"
        "3;2024-05-07;P9;K1;another dog\n"
        "4;2024-05-08;P-old;;before the merging\n"
        "5;2024-05-09;P2;K2;\n"
    )
    left, rows = parted(text, theirs())
    assert left == HEAD + "2;2024-05-06;P2;K2;fine\n5;2024-05-09;P2;K2;\n"
    assert sorted(rows) == [4, 6, 7]
    assert list(rows[4]) == ["Invoice", "Date", "Patient", "Client", "Note"]
    assert list(rows[4].values()) == ["1", "2024-05-06", "P1", "K1", "itchy"]


def test_a_note_over_several_lines_goes_as_a_whole_and_stays_as_a_whole():
    """Quoted line breaks belong to their record."""
    text = HEAD + '1;2024-05-06;P1;K1;"itchy\nat ""night"""\n2;2024-05-06;P2;K2;"two\nlines"\n'
    left, rows = parted(text, theirs())
    assert left == HEAD + '2;2024-05-06;P2;K2;"two\nlines"\n'
    assert rows[4]["Note"] == 'itchy\nat "night"'


def test_a_row_that_names_them_in_its_text_goes_too():
    """Whatever the case; also one that is broken and has no cells."""
    text = HEAD + (
        "1;2024-05-06;P2;K2;spoke to ada quillfeather\n"
        "2;2024-05-06;P2;K2;Ada Quill\n"
        'broken "line; Ada Quillfeather\n'
    )
    left, rows = parted(text, theirs(names=("Ada Quillfeather",)))
    assert left == HEAD + "2;2024-05-06;P2;K2;Ada Quill\n"
    assert sorted(rows) == [4, 6]


def test_lines_of_nobody_on_their_invoice_go_and_on_others_stay():
    """The second line of an invoice often repeats neither patient nor client."""
    text = HEAD + "1;2024-05-06;P1;K1;\n1;2024-05-06;;;tablets\n2;2024-05-06;;;tablets\n"
    left, _ = parted(text, theirs())
    assert left == HEAD + "2;2024-05-06;;;tablets\n"


@pytest.mark.parametrize("codec", ["utf-8-sig", "utf-16", "cp1252"])
def test_the_encoding_stays(codec):
    """A file of Windows or of a spreadsheet is written back as it was."""
    text = HEAD + "1;2024-05-06;P1;K1;Gebühr\r\n2;2024-05-06;P2;K2;Gebühr, müde\r\n"
    left, _ = parted(text, theirs(), codec=codec)
    assert left == HEAD + "2;2024-05-06;P2;K2;Gebühr, müde\r\n"
    content = part(text.encode(codec), "x.csv", layouts=[LAYOUT], theirs=theirs()).content
    marks = {"utf-8-sig": codecs.BOM_UTF8, "utf-16": codecs.BOM_UTF16_LE}
    assert content.startswith(marks.get(codec, b""))


def test_a_file_without_a_row_of_theirs_is_the_very_same_bytes():
    """Not even a line end changes."""
    content = (HEAD + "2;2024-05-06;P2;K2;fine\r\n\n").encode()
    found = part(content, "x.csv", layouts=[LAYOUT], theirs=theirs())
    assert found.content is content
    assert found.rows == {}


def test_files_of_our_own_formats_need_no_layout():
    """The column is called dog."""
    head, rest = "visit,date,branch,dog,kind\n", "2,2024-05-06,n,P2,other\n"
    left, rows = parted(f"{head}1,2024-05-06,n,P1,other\n{rest}", theirs(), ())
    assert left == head + rest
    assert list(rows) == [2]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a;b;c\n1;2;3\n", "no layout fits it any more"),
        (b"\x00\x01\x02", "cannot be read any more"),
        (b"1\n2\n", "no line of headings"),
    ],
)
def test_a_file_in_which_nobody_can_be_told_is_refused_in_a_sentence(content, words):
    """So that a person can decide to delete it."""
    with pytest.raises(RedactionError, match=words):
        part(content, "x.csv", layouts=[LAYOUT], theirs=theirs())


def test_a_workbook_becomes_text_without_their_rows():
    """And says that its other sheets are gone."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        sheet, notes = book.add_worksheet("visits"), book.add_worksheet("Ada")
        notes.write(0, 0, "something")
        sheet.write_row(0, 0, LAYOUT.columns.values())
        sheet.write_row(1, 0, ["1", "2024-05-06", "P1", "K1", "x"])
        sheet.write_row(2, 0, ["2", "2024-05-06", "P2", "K2", "y"])
    found = part(out.getvalue(), "x.xlsx", layouts=[LAYOUT], theirs=theirs())
    lines = found.content.decode("utf-8-sig").splitlines()
    assert lines == ["Invoice,Date,Patient,Client,Note", "2,2024-05-06,P2,K2,y"]
    assert found.remark == "other sheets of the workbook are gone: Ada"


def test_findings_that_speak_of_them_go():
    """By the row, by the number that is quoted, by the name."""
    blank = {"check": "c", "severity": "error", "file": "x", "column": "", "allowed": "", "fix": ""}
    found = {"4": "'never'", "5": "'P1'", "6": "Ada Quillfeather", "": "12 lines", "7": "P12"}
    lines = [blank | {"row": row, "found": text} for row, text in found.items()]
    kept = part_findings(lines, {4: {}}, theirs(names=("ada quillfeather",)))
    assert [line["found"] for line in kept] == ["12 lines", "P12"]
