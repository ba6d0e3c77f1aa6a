"""Files gone through for a name: packed ones too, whatever they unpack to; the shut are said."""

from __future__ import annotations

import gzip
import tracemalloc
import zipfile
from datetime import UTC, datetime

import pytest

from forecast.practice import create_practice
from forecast.privacy import papers
from forecast.privacy.papers import still_named

NAMES = ["Quillfeather", "Größe"]


@pytest.fixture
def folder(tmp_path, small_settings):
    """Give a practice and its outbox, in which somebody laid files."""
    now = datetime(2023, 3, 1, tzinfo=UTC)
    practice = create_practice(tmp_path / "practice", small_settings, now=now)
    return practice, practice.outbox_folder


def pack(path, **members: bytes) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in members.items():
            packed.writestr(name, content)


def test_a_name_is_found_packed_or_not_and_over_the_edge_of_a_piece(folder, monkeypatch):
    """In UTF-8, as old spreadsheet programs write it, and within archives."""
    practice, outbox = folder
    (outbox / "plain.txt").write_bytes(b"1234567890 Dear Ada Quillfeather")
    (outbox / "old.csv").write_bytes("dog;Größe".encode("cp1252"))
    (outbox / "packed.csv.gz").write_bytes(gzip.compress(b"dog,Ada Quillfeather"))
    pack(outbox / "packed.xlsx", a=b"nothing", b=b"Ada Quillfeather")
    (outbox / "others.txt").write_bytes(b"Dear Bo Quill, feather")
    monkeypatch.setattr(papers, "_PIECE", 13)
    found = still_named(practice, NAMES)
    names = {path.name for path in found.files}
    assert (names, found.remarks) == (
        {"plain.txt", "old.csv", "packed.csv.gz", "packed.xlsx"},
        [],
    )


def test_what_unpacks_to_very_much_is_gone_through_a_piece_at_a_time(folder):
    """12 MB of nothing in 12 kB, and the name behind it; held are a few pieces of a megabyte."""
    practice, outbox = folder
    content = bytes(12_000_000) + b"Quillfeather"
    (outbox / "a.gz").write_bytes(gzip.compress(content, 1))
    pack(outbox / "b.zip", a=content)
    del content
    tracemalloc.start()
    try:
        found = still_named(practice, NAMES)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert {path.name for path in found.files} == {"a.gz", "b.zip"}
    assert most < 8_000_000


def test_what_cannot_be_looked_through_is_said_and_hides_nothing_else(folder):
    """Locked by a password, and broken; the file behind them in order is still found."""
    practice, outbox = folder
    pack(outbox / "a.zip", a=b"x")
    locked = bytearray((outbox / "a.zip").read_bytes())
    locked[6] |= 1  # general purpose flag, of the member and of its line in the directory
    locked[locked.index(b"PK\x01\x02") + 8] |= 1
    (outbox / "a.zip").write_bytes(locked)
    (outbox / "b.gz").write_bytes(gzip.compress(b"Ada Quillfeather")[:-9])
    (outbox / "c.txt").write_text("Quillfeather")
    found = still_named(practice, NAMES)
    assert [path.name for path in found.files] == ["c.txt"]
    assert len(found.remarks) == 2
    assert f"{outbox / 'a.zip'} could not be looked through" in found.remarks[0]
    assert "encrypted" in found.remarks[0]
    assert f"{outbox / 'b.gz'} could not be looked through" in found.remarks[1]
