"""One-click unsubscribe (RFC 8058): links that a mail carries, and what following one does.

A link holds the random id of the message and a signature over it, so it says nothing of anybody,
cannot be guessed, and needs no sign-in. Mail programs follow it by POST; a GET changes nothing,
since scanners follow every link.
"""

from __future__ import annotations

import hashlib
import hmac
from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select, update

from forecast.accounts.audit import Action, note
from forecast.records import tables
from forecast.records.dated import ALERTS_BY_MAIL
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id
from forecast.records.signing_keys import UNSUBSCRIBE, signing_key
from models.errors import ForepawError

PATH: Final = "/unsubscribe/"
UNSUBSCRIBED: Final = "unsubscribed"
_SIGNED = 32  # letters of the signature, 128 bits
_stop = tables.alert_stop


class LinkError(ForepawError):
    """A link that was not made here; the sentence tells nothing of anybody."""


def token_of(message_id: str, key: bytes) -> str:
    """Return what the link of a message ends with."""
    return f"{message_id}.{_signature(message_id, key)}"


def _signature(message_id: str, key: bytes) -> str:
    return hmac.new(key, f"unsubscribe\0{message_id}".encode(), hashlib.sha256).hexdigest()[
        :_SIGNED
    ]


def check_token(records: Records, token: str, *, now: datetime) -> str:
    """Return the id of the message whose link this is.

    Raises
    ------
    LinkError
        If it was not made here.
    """
    key = signing_key(records, UNSUBSCRIBE, now=now)
    message_id, _, signature = token.partition(".")
    good = _signature(message_id, key)
    if not hmac.compare_digest(good.encode(), signature.encode("utf-8", "surrogatepass")):
        raise LinkError(
            "this link is not whole, or was not made here; open it from the message once more, or "
            "tell the practice that you want no more of these messages"
        )
    return message_id


def unsubscribe(records: Records, token: str, *, now: datetime) -> None:
    """Write down that whoever got a message wants no more alerts; again changes nothing.

    Of an owner that was erased meanwhile there is nothing to write down.

    Raises
    ------
    LinkError
        If the link was not made here.
    """
    message_id = check_token(records, token, now=now)
    message = tables.alert_message
    with records.writing() as connection:
        row = connection.execute(select(message).where(message.c.id == message_id)).first()
        if row is None or row.owner_id is None or _has_stopped(connection, row):
            return
        values = {"id": new_id(), "owner_id": row.owner_id, "address_key": row.address_key}
        values |= {"reason": UNSUBSCRIBED, "message_id": message_id, "at": now}
        connection.execute(insert(_stop), values)
        note(connection, Action.UNSUBSCRIBED, by=None, subject=row.owner_id, now=now)


def _has_stopped(connection: Connection, row: Row[Any]) -> bool:
    owner = tables.owner
    there = select(owner.c.id).where(owner.c.id == row.owner_id)
    own = select(_stop.c.id).where(
        _stop.c.owner_id == row.owner_id,
        _stop.c.reason == UNSUBSCRIBED,
        _stop.c.lifted_at.is_(None),
    )
    return connection.scalar(there) is None or connection.scalar(own) is not None


def record_consent(
    records: Records, number: str, answer: str, *, by: str | None, now: datetime, today: date
) -> None:
    """Write down what an owner said about alerts by mail; a yes also lifts what stopped them.

    Parameters
    ----------
    number
        The practice's own number of the owner.
    answer
        yes or no.

    Raises
    ------
    RecordsError
        If no owner on record has that number.
    """
    owner = tables.owner
    with records.writing() as connection:
        owner_id = connection.scalar(select(owner.c.id).where(owner.c.reference == number))
        if owner_id is None:
            raise RecordsError(
                f"consent of the owner {number!r} was to be recorded, who is not on record; owners "
                "are asked for by the practice's own number"
            )
        row = {"owner_id": owner_id, "what": ALERTS_BY_MAIL, "answer": answer, "date": today}
        connection.execute(insert(tables.consent), row)
        if answer == "yes":
            keys = select(_stop.c.address_key).where(
                _stop.c.owner_id == owner_id, _stop.c.address_key.is_not(None)
            )
            # of others at the address only what came back: their own no is theirs to take back
            came_back = _stop.c.address_key.in_(keys) & (_stop.c.reason != UNSUBSCRIBED)
            theirs = (_stop.c.owner_id == owner_id) | came_back
            lift = update(_stop).where(theirs, _stop.c.lifted_at.is_(None))
            connection.execute(lift.values(lifted_at=now))
        note(connection, Action.CONSENT_RECORDED, by=by, subject=owner_id, now=now)


def opt_outs_of(records: Records, alert_id: str) -> int:
    """Return how many unsubscribed by the link in a message of an alert."""
    message = tables.alert_message
    query = (
        select(_stop.c.id)
        .join(message, message.c.id == _stop.c.message_id)
        .where(message.c.alert_id == alert_id, _stop.c.reason == UNSUBSCRIBED)
    )
    with records.reading() as connection:
        return len(connection.scalars(query).all())
