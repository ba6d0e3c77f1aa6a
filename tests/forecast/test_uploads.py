"""Files that wait: kept under safe names, within limits, and not for ever."""

from __future__ import annotations

import io
import stat
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast import uploads
from forecast.practice import Practice, create_practice, template
from forecast.upload_checks import UploadError
from forecast.uploads import (
    drop_upload,
    forget_uploads,
    keep_upload,
    note_on_upload,
    safe_name,
    upload,
    upload_path,
)
from models.errors import ForepawError

CSV = b"visit,date,branch,dog,kind\nV1,2023-01-02,main,D1,itch flare\n"


@pytest.fixture
def practice(tmp_path) -> Practice:
    return create_practice(tmp_path / "practice", template())


def bring(practice: Practice, content: bytes = CSV, name: str = "visits.csv", kind="visits"):
    return keep_upload(practice, io.BytesIO(content), name=name, kind=kind, brought_by="ab12")


def files_of(practice: Practice) -> list[Path]:
    return [path for path in practice.folder.rglob("*") if path.is_file()]


def test_a_file_is_kept_as_it_came_and_read_by_its_owner_alone(practice):
    """With what is known of it; a note is added later."""
    kept = bring(practice)
    path = upload_path(practice, kept)
    assert path.read_bytes() == CSV
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert upload(practice, kept.id) == kept
    assert (kept.n_bytes, kept.kind, kept.brought_by) == (len(CSV), "visits", "ab12")
    noted = note_on_upload(practice, kept, layout="old", request_id="r1")
    assert upload(practice, kept.id) == noted == replace(kept, layout="old", request_id="r1")


def test_what_is_refused_leaves_nothing(practice):
    """Neither the file nor its folder."""
    before = files_of(practice)
    for content in (b"", b"<html>", b"%PDF"):
        with pytest.raises(ForepawError):
            bring(practice, content)
    assert files_of(practice) == before
    assert list((practice.archive_folder / "uploads").iterdir()) == []


def test_a_file_that_is_too_large_is_left_off_on_the_way(practice, monkeypatch):
    """It is not read to its end: the source would never stop."""

    class Endless(io.RawIOBase):
        n_read = 0

        def read(self, size: int = -1) -> bytes:
            self.n_read += size
            return b"a" * size

    monkeypatch.setattr(uploads, "most_bytes", lambda: 3_000_000)
    endless = Endless()
    with pytest.raises(UploadError, match="is larger than 3 MB"):
        keep_upload(practice, endless, name="x.csv", kind="visits", brought_by="a")
    assert endless.n_read < 5_000_000
    assert list((practice.archive_folder / "uploads").iterdir()) == []


def test_no_more_wait_than_may(practice):
    """The table says forty."""
    for _ in range(40):
        bring(practice)
    with pytest.raises(UploadError, match="40 files wait to be taken in, and no more than 40"):
        bring(practice)


def test_what_nobody_takes_in_goes_after_a_fortnight(practice):
    """Not before; what is thrown away goes at once."""
    old, thrown = bring(practice), bring(practice)
    drop_upload(practice, thrown)
    later = replace(practice, now=practice.now + timedelta(days=13))
    newer = bring(later)
    assert forget_uploads(later) == []
    latest = replace(practice, now=practice.now + timedelta(days=15))
    assert forget_uploads(latest) == ["files that waited to be taken in deleted 1"]
    assert [one.id for one in uploads.uploads(latest)] == [newer.id]
    for gone in (old, thrown):
        assert not upload_path(practice, gone).exists()
        with pytest.raises(UploadError, match="no such file waits"):
            upload(practice, gone.id)


@pytest.mark.parametrize(
    "asked", ["", "..", "../../practice", "/etc/passwd", "a/b", "x" * 100, "ABCDEF0123456789"]
)
def test_an_address_leads_to_no_other_file(practice, asked):
    """Ids are what we made."""
    with pytest.raises(UploadError, match="no such file waits"):
        upload(practice, asked)


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("visits 2023.csv", "visits 2023.csv"),
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\Ada\\visits.csv", "visits.csv"),
        ("..", "file"),
        (".hidden", "hidden"),
        ("", "file"),
        ("<b>x</b>.csv", "b_.csv"),
        ("a\x00b\r\n\x1b[31m.csv", "a_b____31m.csv"),
        ("Übersicht März.csv", "Übersicht März.csv"),
        ("=cmd.csv", "_cmd.csv"),
        ("a" * 300 + ".xlsx", "a" * 95 + ".xlsx"),
        ("犬" * 300 + ".csv", "犬" * 65 + ".csv"),  # three bytes each; file systems count bytes
    ],
)
def test_names_are_made_safe(name, safe):
    """Path, signs and length; letters of any script stay."""
    found = safe_name(name)
    assert "/" not in found
    assert found == safe


@given(st.text(max_size=400))
def test_any_name_becomes_one_that_can_be_written(tmp_path_factory, name):
    """And stays in its folder."""
    folder = tmp_path_factory.mktemp("names")
    path = folder / safe_name(name)
    assert path.resolve().parent == folder.resolve()
    path.write_bytes(b"x")
    assert safe_name(safe_name(name)) == safe_name(name)
