"""Making a back-up while others read and write: records first, then what they cite.

In this order every file that the copied records cite is there to be copied: whoever writes puts
arrays before rows. No clean-up of the climate store runs meanwhile; nobody who writes has to wait.
The file counts once it has its name: it is written under another one, read again and compared.
"""

from __future__ import annotations

import fcntl
import os
import platform
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC
from importlib.metadata import version
from pathlib import Path

from forecast.backup import contents
from forecast.backup.archive import ArchiveWriter, Manifest, bytes_told, check_archive
from forecast.backup.errors import BackupError
from forecast.backup.keeping import backup_name, keep_rule, thin_out
from forecast.climate import ClimateStore
from forecast.issue_files import draws_file
from forecast.practice import Practice
from forecast.records.copying import CopiedRecords, copy_records
from forecast.records.engine import Records
from forecast.records.erased import keep_beside

LOCK_FILE = "backing_up.lock"
STAGED = "backup.part"  # the copy of the records, until it is packed
PACKAGES = ("forepaw", "icechunk", "zarr", "h5netcdf", "xarray", "numpy", "pandas", "sqlalchemy")
_PRIVATE_FOLDER = 0o700
# Shares of the time, of which progress is told: copying the records, packing, reading again.
_COPIED, _PACKED = 0.1, 0.75
Tell = Callable[[float], None]


@dataclass(frozen=True)
class Backup:
    """A back-up that was made.

    Attributes
    ----------
    file
        The archive.
    n_bytes, seconds
        Its size [bytes], and how long it took [s].
    manifest
        What it says of itself.
    removed
        Older back-ups that were taken away.
    on_same_disk
        Whether it lies on the practice folder's own disk, and would be lost with it.
    """

    file: Path
    n_bytes: int
    seconds: float
    manifest: Manifest
    removed: tuple[Path, ...]
    on_same_disk: bool


def make_backup(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    *,
    folder: Path | None = None,
    with_secrets: bool = False,
    tell: Tell = lambda share: None,
) -> Backup:
    """Write one archive of all that a practice cannot do without; take older ones away by the rule.

    Keys to services stay out unless `with_secrets`. Killed at any moment it leaves a file that ends
    in ``.part``, which the next back-up deletes; back-ups that are there are not touched before.

    Raises
    ------
    BackupError
        If another back-up is being made, or the archive cannot be written or read again.
    """
    began = time.monotonic()
    folder = (folder or practice.backups_folder).absolute()
    with _alone(practice):
        _make_ready(practice, folder)
        file = folder / backup_name(practice.now)
        if file.exists():
            raise BackupError(f"{file} is there already; a back-up has the second as its name")
        part, staged = file.with_name(f"{file.name}.part"), practice.folder / STAGED
        try:
            manifest = _write(
                practice, records, climate, part, staged, with_secrets=with_secrets, tell=tell
            )
            part.rename(file)
            _settle_names(folder)
        except OSError as error:
            raise BackupError(
                f"the back-up {file} could not be written: {(error.strerror or str(error)).lower()}"
                "; nothing of it is left, and earlier ones are as they were"
            ) from error
        finally:
            part.unlink(missing_ok=True)
            staged.unlink(missing_ok=True)
        removed = _thin_out(folder, practice)
    return Backup(
        file,
        file.stat().st_size,
        time.monotonic() - began,
        manifest,
        tuple(removed),
        on_same_disk=folder.stat().st_dev == practice.folder.stat().st_dev,
    )


def _thin_out(folder: Path, practice: Practice) -> list[Path]:
    try:
        return thin_out(folder, keep_rule(practice))
    except OSError as error:
        raise BackupError(
            f"a back-up was made in {folder}, and older ones could not be deleted: "
            f"{(error.strerror or str(error)).lower()}; delete them by hand"
        ) from error


@contextmanager
def _alone(practice: Practice) -> Iterator[None]:
    handle = os.open(practice.folder / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BackupError(
                "a back-up was asked for while another one of this practice is being made; wait "
                "for it"
            ) from None
        yield
    finally:
        os.close(handle)


def _make_ready(practice: Practice, folder: Path) -> None:
    """Make the folder, keep the list of the erased there, delete what a killed back-up left."""
    try:
        folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
        keep_beside(practice, folder)
        for half in [*folder.glob("forepaw-*.part"), practice.folder / STAGED]:
            half.unlink(missing_ok=True)
    except OSError as error:
        raise BackupError(
            f"back-ups cannot be written to {folder}: {(error.strerror or str(error)).lower()}; "
            "name another folder with --to, or under [backup] in practice.toml"
        ) from error


def _write(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    part: Path,
    staged: Path,
    *,
    with_secrets: bool,
    tell: Tell,
) -> Manifest:
    models = contents.trained_models(practice)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as out, climate.kept_whole():
        copied = copy_records(records, staged, tell=lambda share: tell(_COPIED * share))
        by_hand = contents.written_by_hand(practice, with_secrets=with_secrets)
        size = sum(map(_size, [staged, *by_hand, *climate.files_of_data()]))
        writer = ArchiveWriter(out, bytes_told(tell, size, _COPIED, _PACKED))
        _add(writer, practice, contents.settings_first(practice))
        writer.add(staged, contents.RECORDS_MEMBER)
        _add(writer, practice, [*models, *by_hand])
        lacking = _add_issues(writer, practice, copied)
        _add_climate(writer, practice, climate)
        manifest = Manifest(
            made_at=practice.now.astimezone(UTC).isoformat(timespec="seconds"),
            schema=copied.schema,
            records_from="sqlite" if records.is_sqlite else "postgresql",
            versions=_versions(),
            left_out=contents.left_out(practice, writer.members),
            lacking=lacking,
            members=dict(writer.members),
        )
        writer.finish(manifest, changed_at=practice.now.timestamp())
        out.flush()
        os.fsync(out.fileno())
    check_archive(part, tell=bytes_told(tell, manifest.n_bytes, _PACKED, 1.0))
    return manifest


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:  # deleted since it was listed
        return 0


def _add(writer: ArchiveWriter, practice: Practice, paths: Sequence[Path]) -> list[str]:
    """Add files under their place in the practice folder; return those that are not there."""
    names = [(path, path.relative_to(practice.folder).as_posix()) for path in paths]
    return [name for path, name in names if not writer.add(path, name)]


def _add_issues(writer: ArchiveWriter, practice: Practice, copied: CopiedRecords) -> list[str]:
    """Add the files of every issue that has a row, and draws while they are kept."""
    files = [practice.issued_folder / name for name in sorted(copied.issue_files)]
    lacking = _add(writer, practice, files)
    _add(writer, practice, [draws_file(path) for path in files])
    return lacking


def _add_climate(writer: ArchiveWriter, practice: Practice, climate: ClimateStore) -> None:
    """Add the climate store: names first, then data, so that whatever is named is there."""
    named = {climate.head(), *climate.tags().values()}
    _add(writer, practice, climate.files_of_names())
    named |= {climate.head(), *climate.tags().values()}
    _add(writer, practice, climate.files_of_data())
    needed = [path.relative_to(practice.folder).as_posix() for path in climate.data_needed(named)]
    lacking = sorted(set(needed) - set(writer.members))
    if lacking:
        raise BackupError(
            f"the climate store lacks {lacking[0]}, without which what it names cannot be read; no "
            "back-up was made of it: restore the last one into another folder"
        )


def _versions() -> dict[str, str]:
    own = {"python": platform.python_version(), "sqlite": sqlite3.sqlite_version}
    return own | {name: version(name) for name in PACKAGES}


def _settle_names(folder: Path) -> None:
    """See to it that a name that was given outlives a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
