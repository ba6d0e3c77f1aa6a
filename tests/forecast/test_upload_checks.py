"""What may be brought: a table or an array; all else is refused, whatever its name says."""

from __future__ import annotations

import io
import zipfile

import h5py
import numpy as np
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from forecast.upload_checks import KINDS, refuse_unfit
from jobs import imports
from models.errors import ForepawError

CSV = b"visit,date,branch,dog,kind\nV1,2023-01-02,main,D1,itch flare\n"


def check(tmp_path, content: bytes, kind: str = "visits") -> None:
    path = tmp_path / "content"
    path.write_bytes(content)
    refuse_unfit(path, "the file.csv", kind=kind)


def told_of(tmp_path, content: bytes, kind: str = "visits") -> str:
    """Return the sentence of a refusal, "" for what is let through."""
    try:
        check(tmp_path, content, kind)
    except ForepawError as refused:
        return str(refused)
    return ""


def workbook(text: str = "visit") -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        book.add_worksheet().write_string(0, 0, text)
    return out.getvalue()


def packed(*names: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        for name in names:
            made.writestr(name, b"x")
    return out.getvalue()


def test_the_kinds_are_those_that_can_be_imported():
    """One list on each floor, and they agree."""
    assert set(KINDS) == set(imports.KINDS)


@pytest.mark.parametrize(
    "content",
    [
        CSV,
        CSV.decode().encode("utf-16"),
        "visit;Hündin\n1;Übel\n".encode("cp1252"),
        b"a,b\n=cmd|' /C calc'!A0,<script>alert(1)</script>\n",  # text, and stays text
        workbook(),
    ],
)
def test_a_table_is_let_through(tmp_path, content):
    """In any encoding that is read; a formula or a tag in a cell is text."""
    check(tmp_path, content)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"%PDF-1.7 ...", "is a PDF"),
        (b"\x89PNG\r\n\x1a\n", "is a picture"),
        (b"\xff\xd8\xff\xe0", "is a picture"),
        (b"\x1f\x8b\x08\x00", "is a packed file"),
        (b"7z\xbc\xaf\x27\x1c", "is an archive"),
        (b"Rar!\x1a\x07", "is an archive"),
        (b"MZ\x90\x00", "is a program"),
        (b"\x7fELF\x02", "is a program"),
        (b"SQLite format 3\x00", "is a database"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "before 2007"),
        (b"<html><script>alert(1)</script>", "is a web page"),
        (b"\xef\xbb\xbf \n<!doctype html>", "is a web page"),
        (b"<?xml version='1.0'?><table/>", "is a web page"),
        (packed("a.csv"), "archive of files or another document"),
        (packed("[Content_Types].xml", "word/document.xml"), "archive of files or another"),
        (packed("mimetype", "content.xml"), "archive of files or another document"),
        (packed("xl/workbook.xml"), "is an archive of files, and no workbook"),
        (packed("[Content_Types].xml", "xl/workbook.xml", "b.zip"), "holds another file"),
        (b"PK\x03\x04 xl/workbook.xml [Content_Types].xml", "cannot be read as one"),
        (b"PK\x05\x06" + b"\x00" * 18, "archive of files or another document"),
        (b"\x89HDF\r\n\x1a\n....", "is a NetCDF file; bring it as weather"),
        (b" \n\t\n", "is empty"),
        (b"a,b\n\x81\x8d\x8f,\xe9\n", "is neither UTF-8"),
        (b"visit\x00\x01\x02\x00\x05\x00\x00\x00", "is no text"),
    ],
)
def test_what_is_no_table_is_refused_in_one_sentence(tmp_path, content, told):
    """It says what it is instead, and what to do."""
    with pytest.raises(ForepawError, match=told) as refused:
        check(tmp_path, content)
    assert str(refused.value).startswith("the file.csv ")
    assert "\n" not in str(refused.value)


def test_weather_must_be_an_array_and_hold_no_more_than_it_may(tmp_path):
    """A thousand million packed zeros take a few kilobytes."""
    with pytest.raises(ForepawError, match="is no NetCDF file"):
        check(tmp_path, CSV, "weather")
    with pytest.raises(ForepawError, match="looks like a NetCDF file and is broken"):
        check(tmp_path, b"\x89HDF\r\n\x1a\n" + b"\x00" * 100, "weather")
    path = tmp_path / "large.nc"
    with h5py.File(path, "w") as file:
        file.create_dataset("tas", shape=(1000, 1_000_000), chunks=(10, 1000), dtype="f4")
    assert path.stat().st_size < 1_000_000
    with pytest.raises(ForepawError, match=r"holds 1,000,000,000 values, and no more than 200,000"):
        check(tmp_path, path.read_bytes(), "weather")
    with h5py.File(path, "w") as file:
        file["tas"] = np.zeros((2, 10))
    check(tmp_path, path.read_bytes(), "weather")


def test_a_kind_that_there_is_not_is_refused(tmp_path):
    """The kinds are listed."""
    with pytest.raises(ForepawError, match="a file may hold visits, closures, dogs"):
        check(tmp_path, CSV, "secrets")


@given(
    head=st.sampled_from([b"", b"PK\x03\x04", b"PK", b"<", b"\xff\xfe", b"\x89HDF\r\n\x1a\n", CSV]),
    tail=st.binary(max_size=300),
    kind=st.sampled_from(KINDS),
)
def test_whatever_is_brought_is_taken_or_refused_in_a_sentence(tmp_path_factory, head, tail, kind):
    """Nothing else comes of any bytes."""
    told = told_of(tmp_path_factory.mktemp("any"), head + tail, kind)
    assert "\n" not in told
    assert len(told) < 400


@given(place=st.integers(0, 4000), byte=st.integers(0, 255))
def test_a_workbook_with_a_wrong_byte_is_taken_or_refused_in_a_sentence(
    tmp_path_factory, place, byte
):
    """The archive's own fields are among them."""
    content = bytearray(workbook())
    content[place % len(content)] = byte
    told = told_of(tmp_path_factory.mktemp("any"), bytes(content))
    assert told == "" or told.startswith("the file.csv ")
