"""Answers that a vet gives on a page, one visit after the other: kept at once, each taken back.

A file for each sample and vet, in the form of the sheets, so that `read_labels` reads both. The
order of its rows is the order of the answers: the last one is what an undo takes back. No reference
of a visit and no dog stands there; who answered is known by a random id and initials.
"""

from __future__ import annotations

import csv
import fcntl
import io
import os
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from forecast.csv_text import csv_text
from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.visits.labelling.desk import samples_folder
from forecast.visits.labelling.sample import LabellingError, Sample
from forecast.visits.labelling.sheet import ANSWERS

_FOLDER = "answers"
_COLUMNS = ("sample", "number", "flare", "labeller")
_ID = re.compile(r"[0-9A-Za-z_-]{1,64}")
_MOST_INITIALS = 4


@dataclass(frozen=True)
class Answers:
    """What one vet answered of a sample.

    Attributes
    ----------
    labeller
        Initials under which the answers are told; "" before the first answer.
    given
        The answer (yes, no, unsure) by number, in the order in which they were given.
    """

    labeller: str
    given: Mapping[int, str]

    @property
    def last(self) -> int | None:
        """The number answered last."""
        return list(self.given)[-1] if self.given else None


def answers_of(practice: Practice, sample: Sample, account_id: str) -> Answers:
    """Return what one vet answered of a sample so far."""
    return _read(_file(practice, sample, account_id))


def answer(
    practice: Practice, sample: Sample, account_id: str, *, name: str, number: int, flare: str
) -> Answers:
    """Keep an answer; one that was given before is replaced, and becomes the last.

    `name` is the vet's, of which only initials are kept.

    Raises
    ------
    LabellingError
        If the sample has no such number, or the answer is none.
    """
    if number not in set(sample.rows["number"]):
        raise LabellingError(
            f"number {number} was answered; {sample.id} has the numbers 1 to {len(sample.rows)}"
        )
    if flare not in ANSWERS:
        raise LabellingError(
            f"number {number} was answered {flare!r}; an answer is {', '.join(ANSWERS)}"
        )
    with _alone(practice):
        path = _file(practice, sample, account_id)
        held = _read(path)
        given = {key: value for key, value in held.given.items() if key != number}
        labeller = held.labeller or _free_initials(practice, sample, name)
        kept = Answers(labeller, given | {number: flare})
        _write(path, sample, kept)
    return kept


def take_back(practice: Practice, sample: Sample, account_id: str) -> int | None:
    """Take the last answer back; return its number, None where there is none."""
    with _alone(practice):
        path = _file(practice, sample, account_id)
        held = _read(path)
        if held.last is None:
            return None
        given = {key: value for key, value in held.given.items() if key != held.last}
        _write(path, sample, Answers(held.labeller, given))
    return held.last


def answer_sheets(practice: Practice, sample: Sample) -> list[tuple[bytes, str]]:
    """Return the answers of all vets as sheets, content and name, for `read_labels`.

    Vets who have answered nothing are left out.
    """
    paths = sorted(_folder(practice).glob(f"{sample.id}.*.csv"))
    held = [(path, _read(path)) for path in paths]
    return [
        (path.read_bytes(), f"the answers of {one.labeller}") for path, one in held if one.given
    ]


def _free_initials(practice: Practice, sample: Sample, name: str) -> str:
    """Return a vet's initials, with a number behind where another vet has them."""
    letters = "".join(word[0] for word in re.findall(r"[^\W\d_]+", name))[:_MOST_INITIALS].upper()
    taken = {_read(path).labeller for path in _folder(practice).glob(f"{sample.id}.*.csv")}
    initials, number = letters or "VET", 1
    while initials in taken:
        number += 1
        initials = f"{letters or 'VET'}{number}"
    return initials


def _folder(practice: Practice) -> Path:
    folder = samples_folder(practice) / _FOLDER
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def _file(practice: Practice, sample: Sample, account_id: str) -> Path:
    if not _ID.fullmatch(account_id):
        raise LabellingError("answers were given by an account whose id cannot be one")
    return _folder(practice) / f"{sample.id}.{account_id}.csv"


def _read(path: Path) -> Answers:
    if not path.exists():
        return Answers("", {})
    lines = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    labeller = lines[0]["labeller"] if lines else ""
    return Answers(labeller, {int(line["number"]): line["flare"] for line in lines})


def _write(path: Path, sample: Sample, kept: Answers) -> None:
    rows = [(sample.id, number, flare, kept.labeller) for number, flare in kept.given.items()]
    write_private(path, csv_text(_COLUMNS, rows).encode())


@contextmanager
def _alone(practice: Practice) -> Iterator[None]:
    """Let one answer be written at a time, whichever process writes."""
    handle = os.open(_folder(practice) / ".lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
