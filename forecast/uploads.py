"""Files that people bring by a page: checked, kept in the archive until they are taken in.

Of each a folder in the archive holds the raw file, under a name that is safe to write, and beside
it stands what is known of it. No path is made of what somebody typed. What is not taken in goes
after a fortnight, as a raw file holds names.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records.identifiers import new_id
from forecast.upload_checks import UploadError, refuse_unfit
from models.parameters import ParameterTable, load_table

UPLOADS_FOLDER = "uploads"  # in the archive
_PRIVATE_FOLDER, _PRIVATE_FILE = 0o700, 0o600
_CHUNK = 1 << 20
_MEGABYTE = 1_000_000
_LONGEST_NAME, _LONGEST_IN_BYTES = 100, 200  # of a file's name that is kept
_LONGEST_ENDING = 10  # letters behind its last point
_ID = re.compile(r"[0-9a-f-]{8,40}")
_PATH_SIGNS = re.compile(r"[\\/]")
_UNSAFE = re.compile(r"[^\w.,()+ -]")


@dataclass(frozen=True)
class Upload:
    """A file that waits.

    Attributes
    ----------
    kind
        What it was said to hold: visits, dogs, weather, ...
    file_name
        A safe form of the name that it came with.
    brought_by
        Random id of the account.
    layout
        The layout to read visits through, "" where the one that fits is meant.
    request_id
        The request to take it in, "" as long as nobody asked.
    """

    id: str
    kind: str
    file_name: str
    n_bytes: int
    sha256: str
    came_at: datetime
    brought_by: str
    layout: str = ""
    request_id: str = ""


def limits() -> ParameterTable:
    """Return how large a file may be, how many may wait and how long."""
    return load_table("forecast", "uploads.toml")


def most_bytes() -> int:
    """Return how many bytes a file may have."""
    return int(limits().number("file.most_bytes") * _MEGABYTE)


def safe_name(name: str) -> str:
    """Return the last part of a name with nothing in it that a file system or a page minds."""
    last = _PATH_SIGNS.split(name)[-1]
    plain = " ".join(_UNSAFE.sub("_", last).split()).lstrip(".- ")
    stem, dot, ending = plain.rpartition(".")
    if not dot or len(ending) > _LONGEST_ENDING:
        stem, ending = plain, ""
    ending = dot and ending and f".{ending}"
    stem = stem[: _LONGEST_NAME - len(ending)]
    while len(f"{stem}{ending}".encode()) > _LONGEST_IN_BYTES:
        stem = stem[:-1]
    return f"{stem}{ending}".strip() or "file"


def keep_upload(
    practice: Practice, content: BinaryIO, *, name: str, kind: str, brought_by: str
) -> Upload:
    """Keep a file that somebody brings, once it has passed what can be seen from outside.

    Raises
    ------
    UploadError, SheetError
        If it is too large, empty, not of its kind, or too many wait already; nothing is left of it
        then.
    """
    folder = _folder(practice)
    _refuse_too_many(practice)
    shown, upload_id = safe_name(name), new_id()
    room = folder / upload_id
    room.mkdir(mode=_PRIVATE_FOLDER)
    path = room / shown
    try:
        n_bytes, sha256 = _copy(content, path, shown)
        refuse_unfit(path, shown, kind=kind)
        kept = Upload(upload_id, kind, shown, n_bytes, sha256, practice.now, brought_by)
        _write(practice, kept)
    except BaseException:
        shutil.rmtree(room, ignore_errors=True)
        raise
    return kept


def uploads(practice: Practice) -> list[Upload]:
    """Return the files that wait, the newest first."""
    found = [_read(path) for path in sorted(_folder(practice).glob("*.json"))]
    return sorted(found, key=lambda one: (one.came_at, one.id), reverse=True)


def upload(practice: Practice, upload_id: str) -> Upload:
    """Return one that waits.

    Raises
    ------
    UploadError
        If there is none: it was taken in, thrown away or kept long enough.
    """
    path = _folder(practice) / f"{upload_id}.json"
    if not _ID.fullmatch(upload_id) or not path.exists():
        raise UploadError(
            "no such file waits: it was taken in, thrown away, or nobody asked for it for "
            f"{limits().number('waiting.keep'):.0f} days; bring it again if it is still wanted"
        )
    return _read(path)


def upload_path(practice: Practice, one: Upload) -> Path:
    """Return where its content is."""
    return _folder(practice) / one.id / one.file_name


def note_on_upload(
    practice: Practice, one: Upload, *, layout: str | None = None, request_id: str | None = None
) -> Upload:
    """Write down through which layout it is to be read, or which request takes it in."""
    noted = replace(
        one,
        layout=one.layout if layout is None else layout,
        request_id=one.request_id if request_id is None else request_id,
    )
    _write(practice, noted)
    return noted


def drop_upload(practice: Practice, one: Upload) -> None:
    """Delete a file that waits, and what is known of it."""
    (_folder(practice) / f"{one.id}.json").unlink(missing_ok=True)
    shutil.rmtree(_folder(practice) / one.id, ignore_errors=True)


def forget_uploads(practice: Practice) -> list[str]:
    """Delete what nobody took in for long enough; say how many."""
    before = practice.now - timedelta(days=limits().number("waiting.keep"))
    old = [one for one in uploads(practice) if one.came_at < before]
    for one in old:
        drop_upload(practice, one)
    known = {one.id for one in uploads(practice)}
    for room in _folder(practice).iterdir():  # of a process that was killed while a file came
        if room.is_dir() and room.name not in known and _changed(room) < before:
            shutil.rmtree(room, ignore_errors=True)
    return [f"files that waited to be taken in deleted {len(old)}"] if old else []


def _changed(room: Path) -> datetime:
    return datetime.fromtimestamp(room.stat().st_mtime).astimezone()


def _copy(content: BinaryIO, path: Path, shown: str) -> tuple[int, str]:
    """Copy a file piece by piece, no further than it may be long; return bytes and hash."""
    most, n_bytes, hashed = most_bytes(), 0, hashlib.sha256()
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE)
    with os.fdopen(handle, "wb") as out:
        while chunk := content.read(_CHUNK):
            n_bytes += len(chunk)
            if n_bytes > most:
                raise UploadError(
                    f"{shown} is larger than {most / _MEGABYTE:,.0f} MB; export a shorter span of "
                    "days, and bring the spans one by one"
                )
            hashed.update(chunk)
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
    if not n_bytes:
        raise UploadError(f"{shown} is empty; export it again")
    return n_bytes, hashed.hexdigest()


def _refuse_too_many(practice: Practice) -> None:
    most, waiting = int(limits().number("waiting.most")), len(uploads(practice))
    if waiting >= most:
        raise UploadError(
            f"{waiting} files wait to be taken in, and no more than {most} may; take some in, or "
            "throw them away"
        )


def _folder(practice: Practice) -> Path:
    folder = practice.archive_folder / UPLOADS_FOLDER
    folder.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    return folder


def _write(practice: Practice, one: Upload) -> None:
    text = json.dumps(asdict(one) | {"came_at": one.came_at.isoformat()}, ensure_ascii=False)
    write_private(_folder(practice) / f"{one.id}.json", text.encode())


def _read(path: Path) -> Upload:
    values = json.loads(path.read_text(encoding="utf-8"))
    return Upload(**values | {"came_at": datetime.fromisoformat(values["came_at"])})
