"""The outbox folder of each issue: answer, tables and figures, which take 5 MB or more.

They can be written again from the issue, so they go when they are neither new nor cited.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from forecast.practice import Practice
from models.parameters import load_table

# What is written there; anything else was put there by somebody, and is not ours to remove.
_ENDINGS = frozenset({".txt", ".csv", ".svg", ".png", ".json", ".part", ".tmp"})
ALERTS = "alerts"  # the folder in the outbox of mails to owners, a folder an alert
PAGES = "pages"  # the folder in it of what pages show
STAFF = "staff"  # and that of rosters, which hold names
_OF_STAFF = frozenset({".xlsx", ".ics", ".csv", ".part"})


def old_outboxes(
    practice: Practice, issue_ids: Sequence[str], *, cited: Collection[str]
) -> list[Path]:
    """Return the folders that go, of issues given oldest first: not the newest, nor those cited."""
    newest = int(load_table("forecast", "retention.toml").number("outbox.newest"))
    stay = {*issue_ids[-newest:], *cited}
    folders = [practice.outbox_folder / one for one in issue_ids if one not in stay]
    return [folder for folder in folders if folder.is_dir() and _own(folder)]


def drop_outboxes(folders: Iterable[Path]) -> int:
    """Delete what was written into folders; return the bytes freed. What is gone is no fault."""
    freed = 0
    for folder in folders:
        for path in _own(folder):
            freed += path.stat().st_size
            path.unlink()
        for empty in (folder / PAGES, folder / STAFF, folder):
            with suppress(OSError):  # something of somebody's is left in it, or it is gone
                empty.rmdir()
    return freed


def _own(folder: Path) -> list[Path]:
    found = [*folder.glob("*"), *folder.glob(f"{PAGES}/*")]
    own = {path for path in found if path.suffix in _ENDINGS and path.is_file()}
    own |= {path for path in folder.glob(f"{STAFF}/*") if path.suffix in _OF_STAFF}
    return sorted(own)
