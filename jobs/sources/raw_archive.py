"""The archive of raw replies: what came, as it came, so that a parser mended later can read it.

``archive/replies/<source>/<UTC day>/<sha256>.gz`` holds a body, ``index.jsonl`` beside it one line
a reply: when, from where, to which request. A body is written whole before its line, and a line
in one stroke, so that a killed process leaves at worst a body without a line or a broken last line;
neither hides another reply.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from forecast.findings import Finding
from forecast.visits.importing.archive import keep_raw
from jobs.sources.source import Place, RawReply, Request, SourceError

INDEX = "index.jsonl"
BODY_ENDING = ".gz"


@dataclass(frozen=True)
class Indexed:
    """One line of an index: a reply without its body, where the body is, the line's number."""

    reply: RawReply
    file: Path
    row: int

    @property
    def day(self) -> date:
        """The UTC day on which it came."""
        return self.reply.retrieved_at.astimezone(UTC).date()


class RawArchive:
    """The folder of raw replies of a practice."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._newest: dict[str, dict[str, Indexed]] = {}

    def keep(self, reply: RawReply) -> Path:
        """Keep a reply before anything is read of it; return the file of its body."""
        day = reply.retrieved_at.astimezone(UTC).date()
        folder = self.folder / reply.request.source_id / day.isoformat()
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            file = keep_raw(folder, reply.body, ending=BODY_ENDING)
            _append(folder / INDEX, json.dumps(_line(reply)))
        except OSError as error:
            raise SourceError(
                f"a reply of {reply.request.source_id} could not be archived in {folder}: "
                f"{(error.strerror or '').lower()}; nothing was read of it, make room and ask again"
            ) from error
        if reply.request.source_id in self._newest:
            indexed = Indexed(replace(reply, body=b""), file, 0)
            self._newest[reply.request.source_id][key_of(reply.request)] = indexed
        return file

    def newest(self, request: Request) -> RawReply | None:
        """Return the newest whole reply to the very same request, None if there is none."""
        held = self._newest.get(request.source_id)
        if held is None:
            found = self.indexed(request.source_id)
            held = {key_of(indexed.reply.request): indexed for indexed in found}
            self._newest[request.source_id] = held
        indexed = held.get(key_of(request))
        return None if indexed is None else _with_body(indexed)

    def replay(
        self,
        source_id: str,
        *,
        since: date | None = None,
        until: date | None = None,
        findings: list[Finding] | None = None,
    ) -> Iterator[RawReply]:
        """Give the archived replies of a source again, in the order in which they came.

        `since` and `until` bound the UTC day of retrieval, both inclusive. What cannot be read is
        left out and told in `findings`.
        """
        findings = [] if findings is None else findings
        for indexed in self.indexed(source_id, since=since, until=until, findings=findings):
            reply = _with_body(indexed)
            if reply is None:
                findings.append(
                    _broken(indexed.file, None, "the body is missing, broken or not the one named")
                )
            else:
                yield reply

    def indexed(
        self,
        source_id: str,
        *,
        since: date | None = None,
        until: date | None = None,
        findings: list[Finding] | None = None,
    ) -> Iterator[Indexed]:
        """Give the lines of the indices of a source as `replay` gives replies, bodies unread."""
        for day, folder in self.days(source_id):
            if (since and day < since) or (until and day > until) or not (folder / INDEX).exists():
                continue
            index = folder / INDEX
            lines = index.read_text(encoding="utf-8", errors="replace").splitlines()
            for row, line in enumerate(lines, start=1):
                try:
                    reply = _reply(json.loads(line))
                except (ValueError, TypeError, KeyError):
                    if findings is not None:
                        findings.append(
                            _broken(index, row, "the line is broken; its reply is lost")
                        )
                    continue
                yield Indexed(reply, folder / f"{reply.sha256}{BODY_ENDING}", row)

    def source_ids(self) -> list[str]:
        """Return the sources of which there are replies."""
        return sorted(path.name for path in self.folder.glob("*") if path.is_dir())

    def days(self, source_id: str) -> list[tuple[date, Path]]:
        """Return the UTC days on which replies of a source came, with their folders, in order."""
        found = []
        for folder in sorted(path for path in (self.folder / source_id).glob("*") if path.is_dir()):
            with suppress(ValueError):  # a folder of somebody else's
                found.append((date.fromisoformat(folder.name), folder))
        return found


def key_of(request: Request) -> str:
    """Return what makes a request the very same as another."""
    return f"{request.method} {request.full_url}"


def _with_body(indexed: Indexed) -> RawReply | None:
    try:
        body = gzip.decompress(indexed.file.read_bytes())
    except (OSError, EOFError, zlib.error):
        return None
    if hashlib.sha256(body).hexdigest() != indexed.reply.sha256:
        return None
    return replace(indexed.reply, body=body)


def _broken(file: Path, row: int | None, found: str) -> Finding:
    place = f"{file.parent.parent.name}/{file.parent.name}/{file.name}"
    return Finding("archived reply", "error", place, row, None, found, "", "pull those days again")


def _line(reply: RawReply) -> dict[str, Any]:
    request = asdict(reply.request)
    for name in ("first", "last"):
        day = request[name]
        request[name] = None if day is None else day.isoformat()
    return {
        "retrieved_at": reply.retrieved_at.isoformat(),
        "sha256": reply.sha256,
        "status": reply.status,
        "url": reply.url,
        "content_type": reply.content_type,
        "etag": reply.etag,
        "last_modified": reply.last_modified,
        "request": request,
    }


def _reply(line: dict[str, Any]) -> RawReply:
    asked = dict(line["request"])
    for name in ("params", "headers", "stations"):
        asked[name] = tuple((key, value) for key, value in asked[name])
    asked["places"] = tuple(Place(**place) for place in asked["places"])
    asked["variables"] = tuple(asked["variables"])
    for name in ("first", "last"):
        asked[name] = None if asked[name] is None else date.fromisoformat(asked[name])
    return RawReply(
        request=Request(**asked),
        url=line["url"],
        status=line["status"],
        content_type=line["content_type"],
        body=b"",
        sha256=line["sha256"],
        retrieved_at=datetime.fromisoformat(line["retrieved_at"]),
        etag=line["etag"],
        last_modified=line["last_modified"],
    )


def _append(index: Path, line: str) -> None:
    """Add a line in one stroke; a broken last line of a killed process is closed first."""
    handle = os.open(index, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        size = os.fstat(handle).st_size
        broken = size > 0 and os.pread(handle, 1, size - 1) != b"\n"
        os.write(handle, (("\n" if broken else "") + line + "\n").encode())
        os.fsync(handle)
    finally:
        os.close(handle)
