"""The audit: who did or read what, and when, by random ids; nothing in it is ever changed.

Each entry's hash is over its own values and the hash of the entry before it, so that a row changed,
taken out or put in between is noticed. Rows cut off at the end leave a chain that is whole; who
wrote down an earlier head (`Audit.head`, which every back-up holds too) can tell that as well.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from sqlalchemy import Connection, select

from forecast.records.account_tables import audit_entry
from forecast.records.engine import Records

_BEFORE_THE_FIRST = "0" * 64
_ROWS_AT_ONCE = 5_000


class Action(StrEnum):
    """What is written down; `subject` is the id of whom or what it was done to."""

    SIGNED_IN = "signed in"
    SIGN_IN_FAILED = "sign-in failed"
    SECOND_FACTOR_FAILED = "second factor failed"
    RECOVERY_CODE_USED = "recovery code used"
    SIGNED_OUT = "signed out"
    SESSION_ENDED = "session ended"
    INVITED = "invited"
    LINK_MADE = "link for a new password made"
    LINK_USED = "link used"
    PASSWORD_CHANGED = "password changed"  # noqa: S105
    SECOND_FACTOR_ON = "second factor switched on"
    SECOND_FACTOR_OFF = "second factor switched off"
    CHANGED = "role, branches or end changed"
    DEACTIVATED = "account deactivated"
    ACTIVATED = "account activated"
    FORGOTTEN = "name of an account erased"
    CONTACT_READ = "contact of an owner read"
    NOTES_READ = "clinical notes read"
    REQUEST_MADE = "work asked for"
    CARE_RECORDED = "care of a dog recorded"
    ENTRY_TAKEN_BACK = "entry at a dog taken back"
    THERAPY_RELEASED = "therapy signed to be given again"
    PLAN_DECIDED = "plan of a dog decided on"
    LETTER_HANDED_OVER = "letter handed over"
    CALENDAR_HANDED_OVER = "calendar handed over"
    CALENDAR_CANCELLED = "calendar cancelled"
    LONGER_EFFECT_SIGNED = "longer effect of a dose signed"
    DOGS_HANDED_OVER = "dogs of a vet given to others"
    VET_LINKED = "account named as a vet"
    DEAD_LETTERS_TRIED = "refused messages of an alert tried again"
    DOUBT_DECIDED = "message in doubt decided on"
    STRANDED_LEFT_OUT = "messages of an alert that cannot go left out"
    ADDRESS_STOPPED = "owner's mail address stopped, as mail came back"
    CONSENT_RECORDED = "owner's consent recorded"
    LANGUAGE_RECORDED = "owner's language recorded"
    UNSUBSCRIBED = "owner unsubscribed by the link in a message"
    DESK_CHANGED = "staff, hours, prices or stock entered"
    ROSTER_AGREED = "roster agreed"
    ALERT_RULE_SET = "alert rule set"
    ALERT_DRAFTED = "alert drafted"
    ALERT_EDITED = "alert edited"
    ALERT_APPROVED = "alert approved"
    ALERT_REFUSED = "alert refused"
    ALERT_DISCARDED = "alert thrown away"
    ALERT_SENT = "alert sent"
    ALERT_WITHDRAWN = "alert withdrawn"
    ALERT_BLOCKS_APPROVED = "fixed blocks of alerts approved"


@dataclass(frozen=True)
class Entry:
    """One thing that was done; `account_id` is None for a stranger or the command line."""

    number: int
    at: datetime
    account_id: str | None
    action: str
    subject: str | None
    sha256: str


@dataclass(frozen=True)
class Audit:
    """What a walk over the whole audit found.

    Attributes
    ----------
    n
        How many entries there are.
    head
        The hash of the last entry; None where there is none.
    broken_at
        The number of the first entry that does not follow from those before it; None: all do.
    has_earlier_head
        Whether the head that was asked for is in it; None where none was asked for.
    """

    n: int
    head: str | None
    broken_at: int | None
    has_earlier_head: bool | None


def note(
    connection: Connection,
    action: Action,
    *,
    by: str | None,
    subject: str | None = None,
    now: datetime,
) -> None:
    """Write down what is done, in the transaction that does it."""
    table = audit_entry
    last = select(table.c.number, table.c.sha256).order_by(table.c.number.desc()).limit(1)
    before = connection.execute(last).first()
    number, previous = (before.number + 1, before.sha256) if before else (1, _BEFORE_THE_FIRST)
    entry = Entry(number, now, by, action.value, subject, "")
    values = vars(entry) | {"sha256": _chained(previous, entry)}
    connection.execute(table.insert().values(values))


def note_alone(
    records: Records,
    action: Action,
    *,
    by: str | None,
    subject: str | None = None,
    now: datetime,
) -> None:
    """Write down what changes nothing else, such as the reading of a contact."""
    with records.writing() as connection:
        note(connection, action, by=by, subject=subject, now=now)


def entries(records: Records, *, newest: int, account_id: str | None = None) -> list[Entry]:
    """Return the last entries, the newest first; those by or about one account if asked so."""
    table = audit_entry
    query = select(table).order_by(table.c.number.desc()).limit(newest)
    if account_id is not None:
        query = query.where((table.c.account_id == account_id) | (table.c.subject == account_id))
    with records.reading() as connection:
        return [Entry(**row._mapping) for row in connection.execute(query)]


def verify_audit(records: Records, *, earlier_head: str | None = None) -> Audit:
    """Walk the whole chain and say whether every entry follows from those before it.

    Parameters
    ----------
    earlier_head
        A head written down before, to be looked for.
    """
    previous, n, broken_at = _BEFORE_THE_FIRST, 0, None
    found = None if earlier_head is None else False
    with records.reading() as connection:
        for entry in _walk(connection):
            n += 1
            if broken_at is None and (
                entry.number != n or _chained(previous, entry) != entry.sha256
            ):
                broken_at = entry.number
            previous = entry.sha256
            if earlier_head == previous:
                found = True
    return Audit(n, previous if n else None, broken_at, found)


def _walk(connection: Connection) -> Iterator[Entry]:
    query = select(audit_entry).order_by(audit_entry.c.number)
    rows = connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(query)
    for row in rows:
        yield Entry(**row._mapping)


def _chained(previous: str, entry: Entry) -> str:
    moment = entry.at.astimezone(UTC).isoformat(timespec="microseconds")
    told = [previous, entry.number, moment, entry.account_id, entry.action, entry.subject]
    return hashlib.sha256(json.dumps(told, ensure_ascii=True).encode()).hexdigest()
