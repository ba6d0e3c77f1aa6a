"""Privacy at the command line: erasing an owner, giving out what is held on one."""

from __future__ import annotations

import json
import os
from pathlib import Path

from forecast.practice import Practice
from forecast.privacy import Erased, erase_owner, held_on_owner
from jobs.ledger import recorded_run
from jobs.opening import open_all
from models.errors import ForepawError

_PRIVATE_FILE = 0o600


class GivingOutError(ForepawError):
    """What is held on an owner cannot be written."""


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
        text = json.dumps(held, indent=2, ensure_ascii=False) + "\n"
        try:
            handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE)
        except OSError as error:
            raise GivingOutError(
                f"{file} cannot be written: {(error.strerror or '').lower()}; name a new file"
            ) from error
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            out.write(text)
        result.rows = len(held["dogs"])
        result.sentence = f"{result.rows} dogs"
    return result.rows
