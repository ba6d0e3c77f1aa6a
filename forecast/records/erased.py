"""The list of who was erased: hashes of numbers, so that no old export or back-up brings them back.

It is a file of its own in the practice folder, not a table: a database that is put back from a
back-up does not know what was erased since, and this list does. A line is an erasure; what it holds
are keyed hashes (HMAC-SHA256) of the practice's numbers, of dogs together with their random ids, so
that visits which come again belong to the same dog, of whom nobody can tell any more which it was.

Who holds the list can test whether a number that he knows already is on it. That is what it is for,
and all it can do: the key stands in the same file, and both are needed for as long as old exports
and back-ups are about.
"""

from __future__ import annotations

import fcntl
import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from forecast.practice import Practice
from forecast.private_files import write_private
from forecast.records.dogs import dog_ids
from forecast.records.engine import Records, RecordsError

ERASED_FILE = "erased.jsonl"
_KEY_BYTES = 32
_SHOWN = 16  # letters of a hash where it stands in place of a number
_DOG, _OWNER, _STAFF = "dog", "owner", "staff"


@dataclass
class ErasedList:
    """Who was erased: owners, dogs and staff by hash, and the ids of the erasures."""

    file: Path
    key: bytes
    owners: set[str] = field(default_factory=set)
    dogs: dict[str, str] = field(default_factory=dict)
    erasures: dict[str, datetime] = field(default_factory=dict)
    staff: set[str] = field(default_factory=set)

    def __bool__(self) -> bool:
        return bool(self.erasures)

    def holds_owner(self, reference: str) -> bool:
        """Say whether an owner's number is that of somebody who was erased."""
        return bool(reference) and self._hash(_OWNER, reference) in self.owners

    def holds_staff(self, reference: str) -> bool:
        """Say whether a number is that of a member of staff who was erased."""
        return bool(reference) and self._hash(_STAFF, reference) in self.staff

    def dog_id(self, reference: str) -> str | None:
        """Return the random id of a dog that was erased; None if it was not."""
        return self.dogs.get(self._hash(_DOG, reference)) if reference else None

    def instead_of(self, text: str) -> str:
        """Return what stands in place of a text that tells of somebody; of one text the same."""
        return f"erased {self._hash('text', text)[:_SHOWN]}"

    def add(
        self,
        erasure: str,
        at: datetime,
        *,
        owners: Iterable[str] = (),
        dogs: Mapping[str, str] | None = None,
        staff: Iterable[str] = (),
    ) -> None:
        """Add an erasure, or more to one that is there, and write it down before returning."""
        line = {
            "erasure": erasure,
            "at": at.isoformat(),
            "owners": [self._hash(_OWNER, reference) for reference in owners if reference],
            "dogs": {self._hash(_DOG, ref): dog_id for ref, dog_id in (dogs or {}).items() if ref},
            "staff": [self._hash(_STAFF, reference) for reference in staff if reference],
        }
        if not self.file.exists():
            _append(self.file, {"key": self.key.hex()})
        _append(self.file, line)
        self._take(line)

    def _take(self, line: Mapping[str, object]) -> None:
        self.erasures[str(line["erasure"])] = datetime.fromisoformat(str(line["at"]))
        owners, dogs, staff = line["owners"], line["dogs"], line.get("staff", [])
        assert isinstance(owners, list)
        assert isinstance(dogs, dict)
        assert isinstance(staff, list)
        self.owners |= set(owners)
        self.dogs |= dogs
        self.staff |= set(staff)

    def _hash(self, kind: str, text: str) -> str:
        return hmac.new(self.key, f"{kind}\0{text}".encode(), hashlib.sha256).hexdigest()


def read_erased(practice: Practice) -> ErasedList:
    """Read the practice's list; an empty one, with a key of its own, where nobody was erased."""
    file = practice.folder / ERASED_FILE
    if not file.exists():
        return ErasedList(file, secrets.token_bytes(_KEY_BYTES))
    return parse_erased(file.read_text(encoding="utf-8"), file)


def parse_erased(content: str, file: Path) -> ErasedList:
    """Read the text of a list, which stands, or is to stand, in a file."""
    found: ErasedList | None = None
    for number, text in enumerate(content.splitlines(), start=1):
        try:
            line = json.loads(text)
            if found is None:
                found = ErasedList(file, bytes.fromhex(line["key"]))
            else:
                found._take(line)
        except (ValueError, KeyError, TypeError, AssertionError) as error:
            raise RecordsError(
                f"{file.name} line {number} cannot be read; it says who was erased, and nothing "
                "is imported without it: put the file back from a back-up"
            ) from error
    if found is None:
        raise RecordsError(f"{file.name} is empty; put it back from a back-up")
    return found


def united(content: str, more: str, *, file: Path) -> str:
    """Return the text of a list with the lines of another one that it does not have.

    Both are checked; lists of two practices, which have different keys, are not united.
    """
    if parse_erased(content, file).key != parse_erased(more, file).key:
        raise RecordsError(
            f"{file} is the list of erasures of another practice; name the right one, or another "
            "folder"
        )
    lines = content.splitlines()
    return "\n".join([*lines, *(line for line in more.splitlines() if line not in lines)]) + "\n"


def keep_beside(practice: Practice, folder: Path) -> Path:
    """Keep the list beside the back-ups too, so that it outlives the practice folder; return it.

    Nothing is lost of a list that is there, nor of the practice's own, which takes up what only
    the other knows. Its key tells whose back-ups a folder holds.
    """
    own, beside = practice.folder / ERASED_FILE, folder / ERASED_FILE
    if not own.exists():
        _begin(own, beside.read_text(encoding="utf-8") if beside.exists() else None)
    with own.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)  # else of two that keep it the slower undoes the other
        content = own.read_text(encoding="utf-8")
        there = beside.read_text(encoding="utf-8") if beside.exists() else content
        for line in united(content, there, file=beside).splitlines()[content.count("\n") :]:
            _append(own, json.loads(line))
        whole = united(there, content, file=beside)
        if not beside.exists() or whole != there:
            write_private(beside, whole.encode())
    return beside


def _begin(file: Path, there: str | None) -> None:
    """Begin a list with nobody on it; another process that is quicker has begun it."""
    if there is not None:
        raise RecordsError(
            f"{ERASED_FILE} stands beside the back-ups and not in the practice folder, so they are "
            "another practice's; name another folder, or restore a back-up of this practice"
        )
    part = file.with_name(f"{file.name}.{os.getpid()}.part")
    _append(part, {"key": secrets.token_bytes(_KEY_BYTES).hex()})
    try:
        with suppress(FileExistsError):
            os.link(part, file)
    finally:
        part.unlink()


def _append(file: Path, line: Mapping[str, object]) -> None:
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(json.dumps(line) + "\n")
        out.flush()
        os.fsync(out.fileno())


class DogIds(Mapping[str, str]):
    """The random id of each dog by the practice's number.

    Erased dogs are found by their number, as their care and visits still count, and are not listed.
    """

    def __init__(self, named: Mapping[str, str], erased: ErasedList) -> None:
        self._named, self._erased = named, erased

    def __getitem__(self, reference: str) -> str:
        dog_id = self._named.get(reference) or self._erased.dog_id(reference)
        if dog_id is None:
            raise KeyError("no dog of that number")
        return dog_id

    def __contains__(self, reference: object) -> bool:
        return isinstance(reference, str) and self.get(reference) is not None

    def __iter__(self) -> Iterator[str]:
        return iter(self._named)

    def __len__(self) -> int:
        return len(self._named)


def known_dogs(practice: Practice, records: Records) -> DogIds:
    """Return the dogs on record by the practice's number, the erased ones too."""
    return DogIds(dog_ids(records), read_erased(practice))
