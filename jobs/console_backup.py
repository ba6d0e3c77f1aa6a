"""What the commands of back-ups print."""

from __future__ import annotations

from forecast.backup import Backup, Restored, backups
from jobs.console import paragraph

_SECRETS = ("secrets", "key")


def show_backup(made: Backup) -> None:
    """Print what was written, where, how big, and what is not in it."""
    manifest = made.manifest
    print(f"backed up: {made.file}")
    paragraph(
        f"{made.n_bytes / 1e6:.1f} MB, {len(manifest.members)} files, in {made.seconds:.1f} s; "
        "written, read again and compared"
    )
    for name in manifest.lacking:
        paragraph(f"LACKING: {name}, which the records name; an earlier back-up may hold it")
    _show_left_out(manifest.left_out)
    held = backups(made.file.parent)
    oldest = min(held.values())
    paragraph(
        f"back-ups there: {len(held)}, the oldest of {oldest:%Y-%m-%d}"
        + (f"; {len(made.removed)} older ones taken away" if made.removed else "")
    )
    if made.on_same_disk:
        paragraph(
            "It lies on the same disk as the practice and would be lost with it: name a folder on "
            "another one, with --to or under [backup] in practice.toml"
        )


def _show_left_out(names: list[str]) -> None:
    secret = [name for name in names if name in _SECRETS]
    others = [name for name in names if name not in _SECRETS]
    if secret:
        paragraph(f"left out: {', '.join(secret)} (keys of services; --with-secrets takes them)")
    if others:
        paragraph(f"left out, as not this service's own: {', '.join(others)}")


def show_restored(done: Restored, settled: list[str]) -> None:
    """Print what was restored, how far the erasures reach, and what was cut short then."""
    manifest = done.manifest
    print(f"restored: {done.folder}")
    where = f"in {done.into}" if done.into else "in the folder"
    paragraph(
        f"as it was at {manifest.made_at}: {len(manifest.members)} files, "
        f"{manifest.n_bytes / 1e6:.1f} MB, all as listed; the records are {where}"
    )
    _show_erasures(done)
    for name in manifest.lacking:
        paragraph(f"LACKING already when it was backed up: {name}")
    secret = [name for name in manifest.left_out if name in _SECRETS]
    if secret:
        paragraph(f"not in the back-up: {', '.join(secret)}; put the keys of services there again")
    for line in settled:
        paragraph(f"under way when it was backed up, now settled: {line}")


def _show_erasures(done: Restored) -> None:
    if done.list_of_erased is None:
        paragraph(
            "No list of erasures lay beside the back-up: who was erased after it was made is back. "
            "If anybody was, restore again with --erasures FILE"
        )
    else:
        last = f"the last of {done.last_erasure:%Y-%m-%d}" if done.last_erasure else "none so far"
        paragraph(f"erasures by {done.list_of_erased}, {last}")
    replayed = done.replayed
    if replayed.n_erasures:
        paragraph(f"erased again: {replayed.n_erasures} erasures since the back-up")
    for path, why in replayed.unreadable.items():
        paragraph(f"{path}: {why}; it may hold rows of the erased: delete it, or erase by hand")
    for path in replayed.still_named:
        paragraph(f"{path} still holds a name that was erased; delete it, or take the name out")
    for remark in replayed.remarks:
        paragraph(remark)
