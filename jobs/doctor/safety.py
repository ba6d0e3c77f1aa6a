"""Checks of who may read the practice: the folder holds owners' names, and keys."""

from __future__ import annotations

import os
from pathlib import Path

from jobs.doctor.check import Check
from jobs.doctor.look import Look, NotLookedAtError
from jobs.secrets import others_may


def permissions(look: Look) -> list[Check]:
    """Look whether this process may write to the folder, and nobody else may read it."""
    name, folder = "permissions", look.folder
    if not folder.is_dir():
        raise NotLookedAtError(f"not looked at, as {folder} is no folder")
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        user = f"the user with number {os.getuid()}"
        return [
            Check(name, "fail", f"{user} may not write to {folder}",
                  "run forepaw as the user that owns the folder")
        ]  # fmt: skip
    if others_may(folder):
        return [
            Check(name, "warn", f"others on this machine may look into {folder}, which holds names",
                  f"chmod 700 {folder}")
        ]  # fmt: skip
    return [Check(name, "ok", "nobody else on this machine may look into the folder")]


def secrets(look: Look) -> list[Check]:
    """Look whether every secret can be read by its owner alone."""
    folder = look.folder / "secrets"
    held = _files(folder)
    if not held:
        return [Check("secrets", "ok", "there are none")]
    open_to_others = [path for path in held if others_may(path)]
    if open_to_others:
        named = ", ".join(path.name for path in open_to_others)
        return [
            Check("secrets", "fail", f"others on this machine may read {named}; these are not used",
                  f"chmod 600 {folder}/*")
        ]  # fmt: skip
    return [Check("secrets", "ok", f"{len(held)}, each readable by its owner alone")]


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())
