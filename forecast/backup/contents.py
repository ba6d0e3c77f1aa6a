"""What of a practice folder goes into a back-up, beside its records and its climate store."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path

from forecast.outbox import PAGES
from forecast.practice import Practice
from forecast.records.erased import ERASED_FILE

RECORDS_MEMBER = "records.sqlite"
KEY_FILE = "key"
_HALF_WRITTEN = ".part"
# Kept by this service for its own use; nobody misses them.
_OF_NO_USE = (".lock", ".part", ".sqlite", ".sqlite-wal", ".sqlite-shm", ".sqlite-journal")


def settings_first(practice: Practice) -> list[Path]:
    """Return the settings and the list of the erased: whoever restores needs them before all."""
    return [practice.settings_file, practice.folder / ERASED_FILE]


def written_by_hand(practice: Practice, *, with_secrets: bool) -> list[Path]:
    """Return the files of layouts, raw imports and replies, the outbox, and what settings name.

    The outbox goes along: sheets that a vet has filled in lie there.
    """
    rooms = [practice.layouts_folder, practice.archive_folder, practice.outbox_folder]
    rooms += _named_in_settings(practice)
    if with_secrets:
        rooms += [practice.secrets_folder, practice.folder / KEY_FILE]
    found = dict.fromkeys(path for room in rooms for path in _files(room))
    return [path for path in found if not _is_drawn_anew(practice, path)]


def _is_drawn_anew(practice: Practice, path: Path) -> bool:
    """Say whether a file is a figure that pages draw again when it is asked for."""
    return path.parent.name == PAGES and path.parent.parent.parent == practice.outbox_folder


def _named_in_settings(practice: Practice) -> list[Path]:
    """Return outlines of regions and folders of sources that lie in the practice folder."""
    settings = practice.settings
    named = [region.area for region in settings.region if region.area]
    named += [
        value
        for section in settings.pull
        for value in section.options.values()
        if isinstance(value, str) and value
    ]
    inside = [(practice.folder / name).resolve() for name in named]
    folder = practice.folder.resolve()
    return [practice.folder / path.relative_to(folder) for path in inside if folder in path.parents]


def _files(room: Path) -> Iterator[Path]:
    if room.is_file():
        yield room
    for path in sorted(room.rglob("*")) if room.is_dir() else ():
        if path.is_file() and path.suffix != _HALF_WRITTEN:
            yield path


def trained_models(practice: Practice) -> list[Path]:
    """Return the files of trained models; to be asked before the records are copied.

    A model that came later may rest on counts that the copy does not hold.
    """
    return sorted(practice.trained_folder.glob("*.nc"))


def left_out(practice: Practice, taken: Collection[str]) -> list[str]:
    """Return what of the practice folder is in no member, by name; folders without a file are not.

    What this service keeps for the moment only, such as locks, is not told.
    """
    firsts = {name.split("/")[0] for name in taken}
    return sorted(
        path.name
        for path in practice.folder.iterdir()
        if path.name not in firsts
        and path != practice.backups_folder
        and any(file.suffix not in _OF_NO_USE for file in _files(path))
    )
