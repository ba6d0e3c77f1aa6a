"""What is read of an archive before anything is written: damage is named, tricks are refused."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import tarfile
from pathlib import Path

import pytest

from forecast.backup import BackupError, restore
from forecast.backup.archive import MANIFEST, check_archive

SETTINGS = b"[practice]\n"


def build(path: Path, *members: tuple[str, bytes], listed: dict | None = None, **told) -> Path:
    """Write an archive by hand, its manifest last, listing its members unless told otherwise."""
    if listed is None:
        listed = {
            name: {"sha256": hashlib.sha256(content).hexdigest(), "size": len(content)}
            for name, content in members
        }
    manifest = {
        "made_at": "2024-05-31T12:00:00+00:00",
        "schema": "0001",
        "records_from": "sqlite",
        "versions": {},
        "left_out": [],
        "lacking": [],
        "members": listed,
        "format": 1,
    } | told
    with tarfile.open(path, "w:gz") as archive:
        for name, content in (*members, (MANIFEST, json.dumps(manifest).encode())):
            about = tarfile.TarInfo(name)
            about.size = len(content)
            archive.addfile(about, io.BytesIO(content))
    return path


def check(path: Path):
    return check_archive(path, tell=lambda n_bytes: None)


def refused(path: Path, match: str) -> None:
    """See that the archive is refused, and that a restore of it writes nothing."""
    with pytest.raises(BackupError, match=match):
        check(path)
    folder = path.parent / "restored"
    with pytest.raises(BackupError, match=match):
        restore(path, folder)
    assert not folder.exists()


def test_an_archive_as_it_should_be_is_read(tmp_path):
    """Else the refusals below would say nothing."""
    manifest = check(build(tmp_path / "a.tar.gz", ("a/b", b"12345"), ("c", b"")))
    assert (manifest.n_bytes, sorted(manifest.members)) == (5, ["a/b", "c"])


@pytest.mark.parametrize("name", ["../outside", "/etc/outside", "a/../../b", "./a", "a//b"])
def test_a_member_that_points_outside_is_refused(tmp_path, name):
    """Whatever its manifest says."""
    refused(build(tmp_path / "a.tar.gz", (name, b"x")), "which no back-up of this service does")


@pytest.mark.parametrize("kind", [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.FIFOTYPE])
def test_links_and_devices_are_refused(tmp_path, kind):
    """A link would have a later member written outside."""
    path = tmp_path / "a.tar.gz"
    with tarfile.open(path, "w:gz") as archive:
        about = tarfile.TarInfo("climate")
        about.type, about.linkname = kind, "/tmp"  # noqa: S108
        archive.addfile(about)
    refused(path, "holds 'climate', which no back-up of this service does")


def test_a_member_that_comes_twice_is_refused(tmp_path):
    """The second would stand in the place of the one that was checked."""
    refused(build(tmp_path / "a.tar.gz", ("a", b"x"), ("a", b"y")), "each once")


def test_what_is_changed_lacking_or_besides_is_named(tmp_path):
    """A sentence with the member's name."""
    one = {"sha256": hashlib.sha256(b"x").hexdigest(), "size": 1}
    path = tmp_path / "a.tar.gz"
    refused(build(path, ("a", b"y"), listed={"a": one}), "a is not what it was")
    refused(build(path, listed={"a": one}), "a is listed in its manifest and is not in it")
    refused(build(path, ("a", b"x"), listed={}), "a is in it and is not listed")


def test_an_archive_cut_off_is_named_with_the_member(tmp_path):
    """Wherever it is cut: in a member, or before its manifest."""
    noise = b"".join(hashlib.sha256(bytes([n])).digest() for n in range(200))
    whole = build(tmp_path / "a.tar.gz", ("first", noise), ("second", noise[::-1])).read_bytes()
    cut = tmp_path / "cut.tar.gz"
    cut.write_bytes(whole[: len(whole) * 3 // 4])
    refused(cut, "is damaged: in second: Compressed file ended")
    cut.write_bytes(b"")
    refused(cut, "is damaged: at its beginning")
    cut.write_bytes(b"no archive at all")
    refused(cut, "is damaged: at its beginning: Not a gzipped file")


def test_one_flipped_bit_is_seen_wherever_it_is(tmp_path):
    """By the hash of the member, or by the check sum of the packing."""
    content = bytes(range(256)) * 4
    whole = build(tmp_path / "a.tar.gz", ("a", content), ("b", content[::-1])).read_bytes()
    begin = whole.index(b"\0", 10) + 1  # after the name in the heading, which is of no matter
    for place in range(begin, len(whole), 41):
        flipped = bytearray(whole)
        flipped[place] ^= 0x10
        path = tmp_path / "flipped.tar.gz"
        path.write_bytes(flipped)
        with pytest.raises(BackupError):
            check(path)


def test_a_tar_without_a_manifest_and_a_newer_format_are_refused(tmp_path):
    """One is somebody else's, the other of a later version of this service."""
    path = tmp_path / "a.tar.gz"
    with gzip.open(path, "wb") as packed, tarfile.open(fileobj=packed, mode="w") as archive:
        archive.addfile(tarfile.TarInfo("a"))
    refused(path, "holds no manifest.json")
    refused(build(path, ("a", b"x"), format=2), "format 2, made by a newer version")
    build(path, ("practice.toml", b"x"), schema="9999")
    with pytest.raises(BackupError, match=r"schema 9999, made by a newer version.*install"):
        restore(path, tmp_path / "restored")
    assert not (tmp_path / "restored").exists()


def test_a_file_that_is_not_there_is_said(tmp_path):
    """By its name."""
    refused(tmp_path / "nowhere.tar.gz", r"nowhere\.tar\.gz cannot be read: no such file")
