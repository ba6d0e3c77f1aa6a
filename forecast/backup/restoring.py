"""Restoring a back-up into a new folder: all of it, or a folder that says that it is not.

The archive is read to its end and compared with its manifest before anything is written. Who was
erased after the back-up was made is erased again before the folder can be opened; the list of them
stands beside the back-ups. Records go where practice.toml says: into the folder's own file, or into
an empty database.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from forecast.backup.archive import Manifest, bytes_told, check_archive, read_member, unpack
from forecast.backup.errors import BackupError
from forecast.practice import RESTORING_FILE, Practice, parse_settings
from forecast.privacy import Replayed, replay_erasures
from forecast.private_files import write_private
from forecast.records.copying import fill_empty, refuse_unless_empty
from forecast.records.engine import Records
from forecast.records.erased import ERASED_FILE, parse_erased, united
from forecast.records.schema import known_schemas, migrate, newest_known
from forecast.settings import SETTINGS_FILE
from forecast.settings_sections import SUBFOLDERS

_PRIVATE_FOLDER = 0o700
_INCOMPLETE = (
    "A back-up was being restored into this folder and it did not come to its end.\n"
    "Nothing here can be relied on: delete the folder and restore again.\n"
)
# Shares of the time, of which progress is told: checking, unpacking, putting records in order.
_CHECKED, _UNPACKED = 0.4, 0.85
_PACKING = 2  # about how much smaller a back-up is than what is in it; for progress alone
Tell = Callable[[float], None]


@dataclass(frozen=True)
class Restored:
    """A practice that was restored.

    Attributes
    ----------
    folder
        The practice folder.
    manifest
        What the back-up says of itself.
    list_of_erased
        The newer list of erasures that was gone by; None where only the back-up's own was at hand.
    last_erasure
        When the last erasure on the list was; None if nobody was erased.
    replayed
        What came of erasing again.
    into
        The database the records went into; empty where it is the folder's own file.
    """

    folder: Path
    manifest: Manifest
    list_of_erased: Path | None
    last_erasure: datetime | None
    replayed: Replayed
    into: str


def restore(
    file: Path,
    folder: Path,
    *,
    erasures: Path | None = None,
    settings: Path | None = None,
    now: datetime | None = None,
    tell: Tell = lambda share: None,
) -> Restored:
    """Restore a back-up into a folder that is new or empty.

    Parameters
    ----------
    file
        The archive.
    folder
        Where the practice is to be.
    erasures
        A list of erasures to go by, in place of the one that lies beside the archive.
    settings
        A practice.toml to use in place of the back-up's own, such as one that names another
        database, or none.
    now
        The present moment unless given.
    tell
        Hears the share done, 0 to 1.

    Raises
    ------
    BackupError
        If the archive is damaged or was made by newer code, or the folder holds anything; nothing
        is written then.
    RecordsError
        If the database is not empty.
    """
    folder = folder.absolute()
    manifest = check_archive(file, tell=bytes_told(tell, _PACKING * _size(file), 0.0, _CHECKED))
    if manifest.schema not in known_schemas():
        raise BackupError(
            f"the records in {file} are at schema {manifest.schema}, made by a newer version of "
            f"this service; this one knows schemas up to {newest_known()}: install a newer version"
        )
    text = _settings_text(file, settings)
    practice = Practice(folder, parse_settings(text), now or datetime.now(UTC), text)
    newer = erasures or _beside(file)
    listed = _list_of_erased(file, newer)
    with _empty_database(practice) as database, _incomplete(folder, manifest):
        unpack(file, folder, manifest, tell=bytes_told(tell, manifest.n_bytes, _CHECKED, _UNPACKED))
        write_private(practice.settings_file, text.encode())
        write_private(folder / ERASED_FILE, listed.encode())
        replayed = _put_in_order(practice, database)
    erased = parse_erased(listed, folder / ERASED_FILE)
    return Restored(
        folder,
        manifest,
        newer,
        max(erased.erasures.values(), default=None),
        replayed,
        "" if database is None else database.place,
    )


def _size(file: Path) -> int:
    return file.stat().st_size if file.exists() else 0


def _settings_text(file: Path, settings: Path | None) -> str:
    if settings is None:
        return read_member(file, SETTINGS_FILE).decode("utf-8")
    return _read(settings, "settings").decode("utf-8")


def _read(path: Path, what: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise BackupError(f"{path} was named as {what} and cannot be read: {why}") from error


def _beside(file: Path) -> Path | None:
    beside = file.absolute().with_name(ERASED_FILE)
    return beside if beside.exists() else None


def _list_of_erased(file: Path, newer: Path | None) -> str:
    """Return the list of the back-up itself, and what a newer one has besides."""
    own = read_member(file, ERASED_FILE).decode("utf-8")
    if newer is None:
        return own
    return united(own, _read(newer, "the list of erasures").decode("utf-8"), file=newer)


@contextmanager
def _empty_database(practice: Practice) -> Iterator[Records | None]:
    """Hand out the database that practice.toml names, once it is seen to be empty; None if none."""
    if practice.settings.records is None:
        yield None
        return
    with closing(Records(practice.records_url)) as database:
        with database.reading() as connection:
            refuse_unless_empty(connection)
        yield database


@contextmanager
def _incomplete(folder: Path, manifest: Manifest) -> Iterator[None]:
    """Keep a folder marked as incomplete; on failure take away all that was put into it."""
    was_there = folder.is_dir()
    _refuse_unless_free(folder, manifest)
    marker = folder / RESTORING_FILE
    try:
        folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
        folder.chmod(_PRIVATE_FOLDER)
        write_private(marker, _INCOMPLETE.encode())
        for name in SUBFOLDERS:
            (folder / name).mkdir(mode=_PRIVATE_FOLDER)
        yield
        os.sync()  # all of it, before the folder says that it is whole
        marker.unlink()
    except BaseException as error:
        _empty(folder, marker)
        if not was_there and folder.is_dir():
            folder.rmdir()
        if isinstance(error, OSError):
            why = (error.strerror or str(error)).lower()
            raise BackupError(f"nothing was restored into {folder}: {why}") from error
        raise


def _refuse_unless_free(folder: Path, manifest: Manifest) -> None:
    if (folder / RESTORING_FILE).exists():
        raise BackupError(
            f"{folder} holds a restore that did not come to its end; delete the folder and restore "
            "again"
        )
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BackupError(
            f"a back-up was to be restored into {folder}, which is not an empty folder; name a new "
            "one: what is there is never overwritten"
        )
    above = next(one for one in (folder, *folder.parents) if one.is_dir())
    free = shutil.disk_usage(above).free
    if free < manifest.n_bytes:
        raise BackupError(
            f"the back-up takes {manifest.n_bytes / 1e6:.0f} MB unpacked and {above} has "
            f"{free / 1e6:.0f} MB free; make room, or name a folder on another disk"
        )


def _empty(folder: Path, marker: Path) -> None:
    """Delete what is in a folder, the marker last."""
    for path in folder.iterdir() if folder.is_dir() else ():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path != marker:
            path.unlink()
    marker.unlink(missing_ok=True)


def _put_in_order(practice: Practice, database: Records | None) -> Replayed:
    """Bring the records to the newest schema, erase again, and put them where they belong."""
    with closing(Records(f"sqlite:///{practice.records_file}")) as own:
        migrate(own)
        replayed = replay_erasures(practice, own)
        if database is not None:
            fill_empty(own, database)
    if database is not None:
        for path in practice.folder.glob(f"{practice.records_file.name}*"):
            path.unlink()
    return replayed
