"""The archive of raw replies: all come back as they came, and damage hides nothing else."""

from __future__ import annotations

import errno
import stat
from dataclasses import replace
from datetime import UTC, date, datetime
from hashlib import sha256

import pytest

from jobs.sources import raw_archive
from jobs.sources.raw_archive import INDEX, RawArchive
from jobs.sources.source import Place, RawReply, Request, SourceError

REQUEST = Request(
    source_id="nasa_power",
    method="GET",
    url="http://data.example/v1",
    params=(("a", "1"), ("a", "2")),
    headers=(("Accept", "text/csv"),),
    places=(Place("north", 47.0, 8.5, 400.0), Place("south", -37.0, 145.0, 30.5)),
    first=date(2026, 1, 1),
    last=date(2026, 1, 31),
    variables=("tas", "pr"),
    weight=2.5,
    content="text",
    conditional=True,
)


def reply(body: bytes, *, day: int = 1, hour: int = 8, request: Request = REQUEST) -> RawReply:
    """Return a reply of June 2026."""
    return RawReply(
        request=request,
        url=request.full_url,
        status=200,
        content_type="text/csv",
        body=body,
        sha256=sha256(body).hexdigest(),
        retrieved_at=datetime(2026, 6, day, hour, tzinfo=UTC),
        etag='"v1"',
        last_modified=None,
    )


def test_replies_come_back_as_they_came_and_in_order(archive):
    kept = [reply(b"one"), reply(b"two", hour=7), reply(b"one", day=3), reply(b"\x00\xff", day=2)]
    for each in kept:
        archive.keep(each)
    # by day, and within a day as they were kept
    assert list(archive.replay("nasa_power")) == [kept[0], kept[1], kept[3], kept[2]]
    assert list(archive.replay("another")) == []


def test_replay_can_be_bounded_by_days(archive):
    for day in (1, 2, 3):
        archive.keep(reply(b"x", day=day))
    days = [r.retrieved_at.day for r in archive.replay("nasa_power", since=date(2026, 6, 2))]
    assert days == [2, 3]
    days = [r.retrieved_at.day for r in archive.replay("nasa_power", until=date(2026, 6, 2))]
    assert days == [1, 2]


def test_the_same_body_is_stored_once_a_day_and_only_for_the_owner(archive):
    first, second = archive.keep(reply(b"same")), archive.keep(reply(b"same", hour=9))
    assert first == second
    assert stat.S_IMODE(first.stat().st_mode) == 0o600
    assert len(list(archive.replay("nasa_power"))) == 2


def test_the_newest_reply_to_the_same_request_is_found(archive, tmp_path):
    other = replace(REQUEST, params=(("a", "3"),))
    archive.keep(reply(b"old"))
    archive.keep(reply(b"new", day=2))
    archive.keep(reply(b"other", day=3, request=other))
    # places with a height that is not known are the same places
    unknown = replace(REQUEST, places=(Place("north", 47.0, 8.5, float("nan")),))
    for each in (archive, RawArchive(tmp_path / "replies")):
        assert each.newest(REQUEST).body == b"new"
        assert each.newest(unknown).body == b"new"
        assert each.newest(replace(REQUEST, url="http://data.example/v2")) is None
    archive.keep(reply(b"newer", day=4))
    assert archive.newest(REQUEST).body == b"newer"


@pytest.mark.parametrize("cut", [1, 40])
def test_a_line_that_a_killed_process_left_broken_hides_no_other(archive, cut):
    archive.keep(reply(b"one"))
    index = archive.keep(reply(b"two")).parent / INDEX
    index.write_bytes(index.read_bytes()[:-cut])
    archive.keep(reply(b"three", hour=9))
    findings = []
    bodies = [r.body for r in archive.replay("nasa_power", findings=findings)]
    if cut == 1:  # only the end of the line was missing
        assert (bodies, findings) == ([b"one", b"two", b"three"], [])
    else:
        assert bodies == [b"one", b"three"]
        assert [(f.row, f.severity) for f in findings] == [(2, "error")]
        assert "index.jsonl row 2" in findings[0].sentence


@pytest.mark.parametrize("damage", ["gone", "cut", "another"])
def test_a_damaged_body_is_told_and_the_others_come(archive, damage):
    file = archive.keep(reply(b"one"))
    archive.keep(reply(b"two"))
    if damage == "gone":
        file.unlink()
    elif damage == "cut":
        file.write_bytes(file.read_bytes()[:-4])
    else:
        file.write_bytes(archive.keep(reply(b"three")).read_bytes())
    findings = []
    bodies = [r.body for r in archive.replay("nasa_power", findings=findings)]
    assert b"one" not in bodies
    assert b"two" in bodies
    assert len(findings) == 1
    assert file.name in findings[0].sentence


def test_a_full_disk_is_said_in_a_sentence(archive, monkeypatch):
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(raw_archive, "keep_raw", full)
    with pytest.raises(SourceError, match="no space left on device; nothing was read of it"):
        archive.keep(reply(b"one"))
    assert list(archive.replay("nasa_power")) == []
