"""Mails that came back: reports of delivery (RFC 3464) that say a mailbox is not there.

Which message it was is read from its own id, which the report quotes; an address that a report
names is looked at no further, as anybody may write a report. Only a lasting failure of the mailbox
counts: one that is full, or a policy, says nothing of the address.
"""

from __future__ import annotations

import mailbox
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

from sqlalchemy import insert, select, update

from forecast.accounts.audit import Action, note
from forecast.alerts.outbox import REFUSED, SENT
from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.identifiers import new_id
from models.errors import ForepawError

_OURS = re.compile(rb"^Message-ID:\s*<([0-9a-f]{16})@", re.MULTILINE | re.IGNORECASE)
_MAILBOX_GONE = re.compile(r"^5\.1\.\d+$")  # RFC 3463: bad destination mailbox or system
_MBOX = b"From "
_stop, _message = tables.alert_stop, tables.alert_message


class BounceError(ForepawError):
    """A file of mails that came back cannot be read."""


@dataclass(frozen=True)
class Bounces:
    """What a file held: reports taken, reports of a failure that may pass, other mails."""

    n_taken: int = 0
    n_passing: int = 0
    n_others: int = 0

    @property
    def sentence(self) -> str:
        """What was found, in words."""
        return (
            f"{self.n_taken} addresses are not there and are not written to any more; "
            f"{self.n_passing} failures that may pass; {self.n_others} other mails"
        )


def take_bounces(records: Records, file: Path, *, now: datetime) -> Bounces:
    """Read a mail, or a file of many (mbox), and stop the addresses that are not there."""
    n_taken = n_passing = n_others = 0
    for mail in _mails(file):
        message_id, status = _reported(mail)
        if message_id is None:
            n_others += 1
        elif _MAILBOX_GONE.match(status):
            n_taken += _stop_address(records, message_id, now=now)
        else:
            n_passing += 1
    return Bounces(n_taken, n_passing, n_others)


def _mails(file: Path) -> Iterator[EmailMessage]:
    try:
        content = file.read_bytes()
        if content.startswith(_MBOX):
            with closing(mailbox.mbox(file, create=False)) as box:
                yield from (_parsed(one.as_bytes()) for one in box)
            return
    except OSError as error:
        raise BounceError(
            f"{file} cannot be read: {(error.strerror or '').lower()}; name a file of mails"
        ) from error
    yield _parsed(content)


def _parsed(content: bytes) -> EmailMessage:
    mail = message_from_bytes(content, policy=policy.default)
    assert isinstance(mail, EmailMessage)
    return mail


def _reported(mail: EmailMessage) -> tuple[str | None, str]:
    """Return the id of our message that a report is about, and its status; None: no report."""
    if mail.get_content_type() != "multipart/report":
        return None, ""
    status, message_id = "", None
    for part in mail.walk():
        if part.get_content_type() == "message/delivery-status":
            blocks = part.get_payload()
            for block in blocks if isinstance(blocks, list) else []:
                if isinstance(block, str):
                    continue
                if str(block.get("Action", "")).strip().lower() == "failed":
                    status = str(block.get("Status", "")).strip()
        elif part.get_content_type() in ("message/rfc822", "text/rfc822-headers"):
            found = _OURS.search(part.as_bytes())
            message_id = found[1].decode() if found else message_id
    return message_id, status


def _stop_address(records: Records, message_id: str, *, now: datetime) -> bool:
    """Stop the address that a message went to; say whether that is new."""
    with records.writing() as connection:
        row = connection.execute(select(_message).where(_message.c.id == message_id)).first()
        if row is None or row.address_key is None:
            return False
        there = select(_stop.c.id).where(
            _stop.c.address_key == row.address_key, _stop.c.lifted_at.is_(None)
        )
        if connection.scalar(there) is not None:
            return False
        values = {"id": new_id(), "owner_id": row.owner_id, "address_key": row.address_key}
        values |= {"reason": "bounced", "message_id": message_id, "at": now}
        connection.execute(insert(_stop), values)
        own = update(_message).where(_message.c.id == message_id, _message.c.state == SENT)
        came_back = {"state": REFUSED, "why": "it came back: no such mailbox", "changed_at": now}
        connection.execute(own.values(came_back))
        note(connection, Action.ADDRESS_STOPPED, by=None, subject=row.owner_id, now=now)
    return True
