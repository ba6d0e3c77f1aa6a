"""A member of staff erased, or all that is held on one given out: staff are people too.

Terms and leave stay under a random id, so that what was planned and what it cost stays valid.
Rosters that the service wrote for people, workbooks and calendars, hold names: they are deleted and
can be written again. An account to sign in is another thing; `forepaw people` sees to those.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from forecast.outbox import STAFF
from forecast.practice import Practice
from forecast.privacy.papers import still_named
from forecast.records import Records
from forecast.records.erased import read_erased
from forecast.records.identifiers import new_id
from forecast.records.staff import (
    StaffIdentity,
    erase_staff_member,
    gone_before,
    staff_holdings,
    staff_identities,
    staff_member,
)

_NAMING = ("staff_identity", "imported_file")


@dataclass
class ErasedStaff:
    """What an erasure did: rosters deleted, files that hold the name still, what else to know."""

    deleted: list[Path] = field(default_factory=list)
    still_named: list[Path] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def erase_staff(practice: Practice, records: Records, number: str) -> ErasedStaff:
    """Erase a member of staff, asked for by the practice's own number.

    Raises
    ------
    RecordsError
        If nobody on record has that number.
    """
    return _erase(practice, records, [staff_member(records, number)])


def _erase(practice: Practice, records: Records, them: list[StaffIdentity]) -> ErasedStaff:
    """Write down who is erased first, so that a process killed on the way is completed later."""
    erased, erasure = read_erased(practice), new_id()
    erased.add(erasure, practice.now, staff=[one.reference for one in them])
    done = ErasedStaff(_delete_rosters(practice))
    for one in them:
        erase_staff_member(records, one, erasure=erasure, at=practice.now)
    records.forget_deleted(_NAMING)
    named = still_named(practice, [one.name for one in them if one.name])
    own = practice.records_file.name
    done.still_named = [path for path in named.files if not path.name.startswith(own)]
    done.remarks = named.remarks
    return done


def _delete_rosters(practice: Practice) -> list[Path]:
    written = [
        path
        for folder in sorted(practice.outbox_folder.glob(f"*/{STAFF}"))
        for path in sorted(folder.iterdir())
        if path.is_file()
    ]
    for path in written:
        path.unlink()
    return written


def erase_staff_again(practice: Practice, records: Records) -> int:
    """Erase again those whom records put back from a back-up bring back; return how many."""
    erased = read_erased(practice)
    back = [one for one in staff_identities(records) if erased.holds_staff(one.reference)]
    erasure = next(reversed(erased.erasures), "")
    for one in back:
        erase_staff_member(records, one, erasure=erasure, at=practice.now)
    if back:
        _delete_rosters(practice)
        records.forget_deleted(_NAMING)
    return len(back)


def forget_staff_gone(practice: Practice, records: Records, *, before: date) -> int:
    """Erase those whose contracts had all ended before a day; return how many."""
    gone = gone_before(records, day=before)
    if gone:
        _erase(practice, records, gone)
    return len(gone)


def held_on_staff(practice: Practice, records: Records, number: str) -> dict[str, Any]:
    """Return all that is held on a member of staff, asked for by the practice's own number.

    Raises
    ------
    RecordsError
        If nobody on record has that number.
    """
    one = staff_member(records, number)
    return {
        "practice": practice.settings.practice.name,
        "staff number": number,
        "as of": practice.now.isoformat(timespec="seconds"),
        **staff_holdings(records, one),
    }
