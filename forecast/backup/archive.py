"""The archive file: a tar, packed with gzip, whose last member lists all others with their hashes.

Any tar program unpacks it, into a folder that is a practice again: what only this service adds when
it restores is the check of the hashes and the erasures since. Members are plain files alone.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import tarfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO, Any

from forecast.backup.errors import BackupError

MANIFEST = "manifest.json"
FORMAT = 1
_LEVEL = 3  # of gzip: most of what is packed is packed already
_CHUNK = 1 << 20
_PRIVATE_FILE, _PRIVATE_FOLDER = 0o600, 0o700
Tell = Callable[[int], None]
_DAMAGE = (tarfile.TarError, OSError, EOFError, zlib.error, ValueError)


@dataclass(frozen=True)
class Member:
    """A file in an archive: its hash and its size in bytes."""

    sha256: str
    size: int


@dataclass(frozen=True)
class Manifest:
    """What an archive says of itself.

    Attributes
    ----------
    made_at
        When the copy of the records was begun, ISO 8601 in UTC.
    schema
        The schema of the records.
    records_from
        Which kind of database they were in.
    versions
        Versions of this service and of the packages that wrote what is in it.
    left_out, lacking
        What of the practice folder is not in it; what the records cite and the folder lacked.
    members
        Every other file, by its path in the practice folder.
    """

    made_at: str
    schema: str
    records_from: str
    versions: dict[str, str]
    left_out: list[str]
    lacking: list[str]
    members: dict[str, Member] = field(default_factory=dict)
    format: int = FORMAT

    @property
    def n_bytes(self) -> int:
        """Bytes that it takes unpacked."""
        return sum(member.size for member in self.members.values())

    def text(self) -> str:
        """Return what is written into the archive."""
        return json.dumps(asdict(self), indent=1) + "\n"


def parse_manifest(content: bytes) -> Manifest:
    """Read a manifest; a newer format than ours is refused."""
    try:
        told = json.loads(content)
        if told["format"] > FORMAT:
            raise BackupError(
                f"the back-up is of format {told['format']}, made by a newer version of this "
                f"service; this one reads format {FORMAT}: install the newer version"
            )
        members = {name: Member(**member) for name, member in told.pop("members").items()}
        return Manifest(members=members, **told)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"it does not say what a manifest says ({error})") from error


class ArchiveWriter:
    """An archive being written; `finish` makes it one that counts."""

    def __init__(self, file: IO[bytes], tell: Tell) -> None:
        self.members: dict[str, Member] = {}
        self._tell = tell
        # no time and no name in the packing: the same content gives the same bytes
        self._packed = gzip.GzipFile("", "wb", _LEVEL, file, mtime=0)
        self._tar = tarfile.TarFile(fileobj=self._packed, mode="w", format=tarfile.PAX_FORMAT)

    def add(self, path: Path, name: str) -> bool:
        """Add a file as it is now; False if there is none any more. One that grows is cut there."""
        try:
            handle = path.open("rb")
        except FileNotFoundError:
            return False
        with handle:
            about = os.fstat(handle.fileno())
            self._add(handle, name, size=about.st_size, changed_at=about.st_mtime)
        return True

    def _add(self, source: IO[bytes], name: str, *, size: int, changed_at: float) -> None:
        about = tarfile.TarInfo(name)
        about.size, about.mode, about.mtime = size, _PRIVATE_FILE, int(changed_at)
        heard = _Heard(source, self._tell)
        self._tar.addfile(about, heard)
        self.members[name] = Member(heard.hexdigest(), size)

    def finish(self, manifest: Manifest, *, changed_at: float) -> None:
        """Write the manifest and the end of the archive."""
        content = manifest.text().encode()
        self._add(io.BytesIO(content), MANIFEST, size=len(content), changed_at=changed_at)
        self._tar.close()
        self._packed.close()


class _Heard:
    """A file that is hashed as it is read."""

    def __init__(self, source: IO[bytes], tell: Tell) -> None:
        self._source, self._tell, self._hash = source, tell, hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        content = self._source.read(size)
        self._hash.update(content)
        self._tell(len(content))
        return content

    def hexdigest(self) -> str:
        return self._hash.hexdigest()


def bytes_told(tell: Callable[[float], None], size: int, begin: float, end: float) -> Tell:
    """Return what hears of bytes and tells the share done, between two shares of the whole."""
    n_done = 0

    def hear(n_bytes: int) -> None:
        nonlocal n_done
        n_done += n_bytes
        tell(begin + (end - begin) * min(1.0, n_done / max(size, 1)))

    return hear


def check_archive(file: Path, *, tell: Tell) -> Manifest:
    """Read an archive to its end and compare it with its manifest; nothing is written.

    Raises
    ------
    BackupError
        If it is damaged, cut short, of a newer format, or holds what no back-up holds.
    """
    found: dict[str, Member] = {}
    manifest: Manifest | None = None
    with _reading(file) as (archive, at):
        for about in archive:
            at.append(about.name)
            source = _Heard(_content_of(file, archive, about, known=found), tell)
            content = b""
            while part := source.read(_CHUNK):
                content += part if about.name == MANIFEST else b""
            found[about.name] = Member(source.hexdigest(), about.size)
            if about.name == MANIFEST:
                manifest = parse_manifest(content)
                found.pop(MANIFEST)
        if manifest is not None:
            _compare(file, found, manifest)
    if manifest is None:
        raise BackupError(
            f"{file} holds no {MANIFEST}: it was cut off, or is no back-up of this service"
        )
    return manifest


def _compare(file: Path, found: dict[str, Member], manifest: Manifest) -> None:
    for name in sorted(set(found) | set(manifest.members)):
        if name not in found:
            raise _damaged(file, f"{name} is listed in its manifest and is not in it")
        if name not in manifest.members:
            raise _damaged(file, f"{name} is in it and is not listed in its manifest")
        if found[name] != manifest.members[name]:
            raise _damaged(file, f"{name} is not what it was when it was backed up")


def read_member(file: Path, name: str) -> bytes:
    """Return one member of an archive that was checked."""
    with _reading(file) as (archive, _):
        for about in archive:
            if about.name == name:
                return _content_of(file, archive, about, known={}).read()
    raise _damaged(file, f"{name} is not in it")


def unpack(file: Path, folder: Path, manifest: Manifest, *, tell: Tell) -> None:
    """Write all members but the manifest into a folder, where none of them stands yet."""
    written: dict[str, Member] = {}
    with _reading(file) as (archive, at):
        for about in archive:
            at.append(about.name)
            if about.name == MANIFEST:
                continue
            content = _content_of(file, archive, about, known=written)
            source = _Heard(content, tell)
            _write(folder / about.name, source)
            written[about.name] = Member(source.hexdigest(), about.size)
    changed = [name for name, member in manifest.members.items() if written.get(name) != member]
    if changed:
        raise _damaged(file, f"{changed[0]} has changed while it was read")


def _write(path: Path, source: _Heard) -> None:
    path.parent.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE)
        with os.fdopen(handle, "wb") as out:
            while part := source.read(_CHUNK):
                out.write(part)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise BackupError(f"{path} could not be written: {why}; make room and try again") from error


@contextmanager
def _reading(file: Path) -> Iterator[tuple[tarfile.TarFile, list[str]]]:
    """Open an archive to be read once from its beginning; damage is told with where it is.

    What is read of is noted in the list that is handed out.
    """
    at: list[str] = []
    try:
        raw = file.open("rb")
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise BackupError(f"the back-up {file} cannot be read: {why}") from error
    try:
        with raw, gzip.open(raw, "rb") as packed:
            with tarfile.open(fileobj=packed, mode="r|") as archive:
                yield archive, at
            while packed.read(_CHUNK):  # at its end stands the check sum of the whole
                pass
    except BackupError:
        raise
    except _DAMAGE as error:
        where = f"in {at[-1]}" if at else "at its beginning"
        raise _damaged(file, f"{where}: {error}") from error


def _content_of(
    file: Path, archive: tarfile.TarFile, about: tarfile.TarInfo, *, known: dict[str, Any]
) -> IO[bytes]:
    """Return what a member holds; anything but a plain file inside the folder is refused."""
    path = PurePosixPath(about.name)
    inside = not path.is_absolute() and ".." not in path.parts and str(path) == about.name
    content = archive.extractfile(about) if about.isreg() and inside else None
    if content is None or about.name in known:
        raise BackupError(
            f"{file} holds {about.name!r}, which no back-up of this service does: allowed are "
            "plain files inside the practice folder, each once; nothing was written"
        )
    return content


def _damaged(file: Path, what: str) -> BackupError:
    return BackupError(f"the back-up {file} is damaged: {what}; take another one")
