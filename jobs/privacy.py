"""Privacy at the command line: erasing an owner or a member of staff, giving out what is held."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from forecast.practice import Practice
from forecast.privacy import (
    Erased,
    ErasedStaff,
    erase_owner,
    erase_staff,
    held_on_owner,
    held_on_staff,
)
from jobs.ledger import recorded_run
from jobs.opening import open_all
from models.errors import ForepawError

_PRIVATE_FILE = 0o600


class GivingOutError(ForepawError):
    """What is held on somebody cannot be written."""


def erase(practice: Practice, number: str, *, delete_unreadable: bool) -> Erased:
    """Erase an owner; the run is written down without saying whom."""
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, "erase owner", local_date=practice.today, cut=None
    ) as result:
        done = erase_owner(practice, records, number, delete_unreadable=delete_unreadable)
        result.rows = done.n_dogs
        result.sentence = f"{done.n_dogs} dogs, {done.n_raw_rows} rows of raw files"
    return done


def give_out(practice: Practice, number: str, file: Path) -> int:
    """Write all that is held on an owner into a new file; return the number of dogs."""
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, "export owner", local_date=practice.today, cut=None
    ) as result:
        held = held_on_owner(practice, records, number)
        _write_new(file, held)
        result.rows = len(held["dogs"])
        result.sentence = f"{result.rows} dogs"
    return result.rows


def erase_from_staff(practice: Practice, number: str) -> ErasedStaff:
    """Erase a member of staff; the run is written down without saying whom."""
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, "erase staff", local_date=practice.today, cut=None
    ) as result:
        done = erase_staff(practice, records, number)
        result.sentence = f"{len(done.deleted)} rosters deleted"
    return done


def give_out_of_staff(practice: Practice, number: str, file: Path) -> None:
    """Write all that is held on a member of staff into a new file."""
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, "export staff", local_date=practice.today, cut=None
    ) as result:
        _write_new(file, held_on_staff(practice, records, number))
        result.sentence = "one of the staff"


def _write_new(file: Path, held: Mapping[str, Any]) -> None:
    """Write a new file that only its owner reads."""
    text = json.dumps(held, indent=2, ensure_ascii=False) + "\n"
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE)
    except OSError as error:
        raise GivingOutError(
            f"{file} cannot be written: {(error.strerror or '').lower()}; name a new file"
        ) from error
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(text)
