"""Disks: whether a practice is on one of this machine, as its stores need.

SQLite and Icechunk rely on locks, and on renames in one step, that network disks do not keep.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import cast

from models.parameters import load_table

MOUNTS = Path("/proc/self/mountinfo")
_OCTAL = re.compile(r"\\([0-7]{3})")


def network_disk(folder: Path) -> str | None:
    """Return the sentence that refuses a folder on a network disk, None where it is on none.

    None also where the machine does not tell, as only Linux does.
    """
    if not MOUNTS.is_file():
        return None
    known = cast("list[str]", load_table("jobs", "disks.toml")["network.kinds"].value)
    for part in (folder, folder / "climate", folder / "records.sqlite"):
        if (kind := kind_of(part)) in known:
            return (
                f"{part} is on a network disk ({kind}), where locks and renames are not kept as "
                "the stores need them"
            )
    return None


def kind_of(path: Path) -> str:
    """Return the kind of file system that a path is on, by what Linux tells."""
    return file_system(path.resolve(), MOUNTS.read_text(encoding="utf-8", errors="replace"))


def file_system(path: Path, mounts: str) -> str:
    """Return the kind of file system that a path is on, by the text of /proc/self/mountinfo.

    The mount point that reaches furthest down counts, of two at one place the later.
    """
    best, kind = -1, "unknown"
    for line in mounts.splitlines():
        before, _, after = line.partition(" - ")
        fields = before.split(" ")
        if len(fields) < 5 or not after:
            continue
        point = Path(_OCTAL.sub(lambda found: chr(int(found[1], 8)), fields[4]))
        depth = len(point.parts)
        if path.is_relative_to(point) and depth >= best:
            best, kind = depth, after.split(" ")[0]
    return kind
