"""The drop folder: files laid there are taken in by their kind, then moved to taken or refused.

A file whose name begins with a kind of import (``dogs.csv``, ``therapies-2024-05.csv``) is of that
kind, one that ends in ``.nc`` is weather, and any other is an export of visits. One that is still
being copied is left until its size and its time have stood still for a while between two looks.
Beside each file that was moved lies a text that says what came of it.
"""

from __future__ import annotations

import json
import logging
import os
import re
import time
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from forecast.practice import Practice
from forecast.records.engine import RecordsError
from jobs.imports import KINDS, Imported, import_file
from jobs.job import Task
from jobs.logs import logger, tell
from jobs.opening import OpeningError
from models.errors import ForepawError
from models.parameters import load_table

TAKEN, REFUSED = "taken", "refused"
_LOOKED = ".looked.json"
_UNFINISHED = re.compile(r"^[.~]|(\.(part|partial|tmp|crdownload|filepart)|~)$", re.IGNORECASE)
_MOVED_NAME = re.compile(r"^(\d{4}-\d{2}-\d{2}) ")


class DropError(OpeningError):
    """The drop folder cannot be used."""


@dataclass(frozen=True)
class Look:
    """Files in the drop folder: at rest, in the order in which to take them, and the others."""

    at_rest: tuple[Path, ...]
    waiting: tuple[Path, ...]


def has_files_at_rest(practice: Practice) -> bool:
    """Say whether there is something to take; also where the folder is missing, to have it told."""
    return not practice.drop_folder.is_dir() or bool(look(practice, practice.now).at_rest)


def look(practice: Practice, now: datetime) -> Look:
    """Look at the files, and remember their sizes and times for the next look."""
    folder = practice.drop_folder
    try:
        names = sorted(os.listdir(folder))
    except OSError as error:
        raise DropError(
            f"the drop folder {folder} cannot be read: {(error.strerror or '').lower()}; make it, "
            "or name another as drop_folder under [clock] in practice.toml"
        ) from error
    rest = timedelta(seconds=load_table("jobs", "schedule.toml").number("drop.at_rest"))
    before, after = _read(folder / _LOOKED), {}
    at_rest: list[Path] = []
    waiting: list[Path] = []
    for name in names:
        path = folder / name
        if _UNFINISHED.search(name) or path.is_symlink() or not path.is_file():
            continue
        found = path.stat()
        size, modified, since = before.get(name, (None, None, None))
        unchanged = (size, modified) == (found.st_size, found.st_mtime_ns)
        first = datetime.fromisoformat(since) if unchanged and since else now
        first = min(first, now)  # the machine's clock may have been put back
        after[name] = (found.st_size, found.st_mtime_ns, first.isoformat())
        (at_rest if now - first >= rest else waiting).append(path)
    if after != before:
        _write(folder / _LOOKED, after)
    at_rest.sort(key=lambda path: (KINDS.index(kind_of(path.name)), path.name))
    return Look(tuple(at_rest), tuple(waiting))


def kind_of(name: str) -> str:
    """Return the kind of import that a file's name stands for."""
    if name.lower().endswith(".nc"):
        return "weather"
    word = re.match(r"[a-z]*", name.lower())
    return word.group() if word and word.group() in KINDS else "visits"


def take(task: Task) -> None:
    """Take in every file at rest; a person who asks by hand waits for those still being copied."""
    practice = task.practice
    seen = look(practice, practice.now)
    if seen.waiting and task.by_hand:
        seconds = load_table("jobs", "schedule.toml").number("drop.at_rest")
        task.say(f"looking again in {seconds:.0f} s, as files may still be being copied")
        time.sleep(seconds)
        seen = look(practice, practice.now + timedelta(seconds=seconds))
    n_taken = n_refused = n_left = 0
    for number, path in enumerate(seen.at_rest):
        task.result.tell(number / len(seen.at_rest))
        task.say(f"taking in a file of {kind_of(path.name)}")
        outcome = _take_one(practice, path)
        n_taken += outcome == TAKEN
        n_refused += outcome == REFUSED
        n_left += outcome == ""
    task.result.rows = n_taken
    task.result.failed = bool(n_refused or n_left)
    # numbers only: the name of a file may be somebody's
    parts = [f"files taken {n_taken}"]
    parts += [f"refused {n_refused}: the folder {REFUSED} says why"] * bool(n_refused)
    parts += [f"left for the next time {n_left}: the records were not to be had"] * bool(n_left)
    parts += [f"still being copied {len(seen.waiting)}"] * bool(seen.waiting)
    task.result.sentence = "; ".join(parts)


def _take_one(practice: Practice, path: Path) -> str:
    """Import one file and move it; say where it went, nothing where it stays for another try."""
    try:
        done = import_file(practice, kind_of(path.name), path)
    except (RecordsError, OpeningError, OSError):
        return ""
    except ForepawError as refusal:
        _move(practice, path, REFUSED, str(refusal))
        return REFUSED
    except Exception as error:
        # one file that trips the program over must not keep all others waiting
        tell(
            logger("drop"),
            "a file was refused, as the program stopped at it",
            level=logging.ERROR,
            error=type(error).__name__,
        )
        sentence = f"The program stopped at this file ({type(error).__name__}): report it."
        _move(practice, path, REFUSED, sentence)
        return REFUSED
    _move(practice, path, TAKEN, _told(done))
    return TAKEN


def _told(done: Imported) -> str:
    lines = [done.sentence, *(finding.sentence for finding in done.findings)]
    return "\n".join([*lines, *done.forgotten.splitlines()])


def _move(practice: Practice, path: Path, where: str, text: str) -> None:
    folder = practice.drop_folder / where
    folder.mkdir(mode=0o700, exist_ok=True)
    stem = f"{practice.now.astimezone(practice.time_zone):%Y-%m-%d %H%M} "
    target, n = folder / f"{stem}{path.name}", 1
    while target.exists():
        n += 1
        target = folder / f"{stem}{n} {path.name}"
    note = target.with_name(target.name + ".txt")
    note.write_text(text + "\n", encoding="utf-8")
    note.chmod(0o600)
    path.rename(target)


def forget_taken(practice: Practice) -> list[str]:
    """Delete what was taken or refused long enough ago; the archive has its own rule."""
    days = load_table("jobs", "schedule.toml").number("drop.keep")
    before = practice.today - timedelta(days=days)
    n_gone = 0
    for where in (TAKEN, REFUSED):
        for path in sorted((practice.drop_folder / where).glob("*")):
            moved = _MOVED_NAME.match(path.name)
            if moved and date.fromisoformat(moved.group(1)) < before:
                path.unlink()
                n_gone += 1
    return [f"files of the drop folder taken away {n_gone}"] if n_gone else []


def _read(path: Path) -> dict[str, tuple[int, int, str]]:
    try:
        return {name: tuple(one) for name, one in json.loads(path.read_text()).items()}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}  # nothing is known of an earlier look: every file is looked at twice


def _write(path: Path, seen: dict[str, tuple[int, int, str]]) -> None:
    partial = path.with_name(path.name + ".part")
    partial.write_text(json.dumps(seen))
    partial.replace(path)
