"""The transactional outbox of alerts: each message is claimed, alone, before it is handed over.

A message is *waiting*; it is written down as *sending*, in a transaction of its own, before
anything of it goes out; what came of it is written down in the transaction that claims the next.
So a process that dies leaves at most one message of which it is not known whether it went out. That
one is *in doubt* from then on: a person decides, and nothing sends it again by itself. Every other
message goes on from where it stood, so nobody gets an alert twice and nobody is forgotten.

The keys of a message, alert and owner as well as alert and address, are unique in the records: a
list that is drawn again cannot add anybody twice.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import Connection, Row, and_, bindparam, select, update

from forecast.alerts.household import LeftOut, Placing, facts_of, judged, why_left_out
from forecast.alerts.mail_addresses import AddressError, MailAddress, address_key, find_address
from forecast.alerts.refusals import Refusals
from forecast.records import tables
from forecast.records.alerts import SENDING as ALERT_SENDING
from forecast.records.alerts import SENT as ALERT_SENT
from forecast.records.alerts import WITHDRAWN as ALERT_WITHDRAWN
from forecast.records.engine import Records
from forecast.records.identifiers import new_id

ALERT: Final = "alert"
WITHDRAWAL: Final = "withdrawal"
MAIL: Final = "mail"
FOLDER: Final = "folder"
WEBHOOK: Final = "webhook"
WAITING: Final = "waiting"
SENDING: Final = "sending"
SENT: Final = "sent"
IN_DOUBT: Final = "in doubt"
REFUSED: Final = "refused"
GIVEN_UP: Final = "given up"
LEFT_OUT: Final = "left out"
_MOST_LEFT_OUT = 50  # looked at in one transaction, which others wait for
_CLAIMED_OF = {ALERT: (ALERT_SENDING, ALERT_SENT), WITHDRAWAL: (ALERT_WITHDRAWN,)}
_message = tables.alert_message
# Built once: to build them for each message takes longer than the database takes to answer.
_NEXT = (
    select(_message)
    .where(
        *(_message.c.state == WAITING, _message.c.region_id == bindparam("region")),
        *(_message.c.due_at <= bindparam("now"), _message.c.way == bindparam("way")),
        _message.c.alert_id.in_(bindparam("alerts", expanding=True)),
    )
    .order_by(_message.c.due_at)
    .limit(1)
)
_ALERT_STATE = select(tables.alert.c.state).where(tables.alert.c.id == bindparam("alert"))
_OWNER = select(tables.owner.c.name, tables.owner.c.contact, tables.owner.c.language).where(
    tables.owner.c.id == bindparam("owner")
)
_TOLD_BY = select(_message.c.owner_id).where(_message.c.told_by == bindparam("message"))
_stop = tables.alert_stop
_STOP_OF_ADDRESS = select(_stop.c.reason).where(
    _stop.c.lifted_at.is_(None), _stop.c.address_key == bindparam("key")
)
_STOP_OF_OWNERS = select(_stop.c.reason).where(
    *(_stop.c.lifted_at.is_(None), _stop.c.reason != "bounced"),
    _stop.c.owner_id.in_(bindparam("owners", expanding=True)),
)
_CLAIM = (
    update(_message)
    .where(_message.c.id == bindparam("message"))
    .values(
        state=SENDING,
        why=None,
        n_attempts=bindparam("attempts"),
        changed_at=bindparam("now"),
        address_key=bindparam("kept"),
    )
)
_ENDED = (
    update(_message)
    .where(_message.c.id == bindparam("message"), _message.c.state == SENDING)
    .values(state=bindparam("ended"), why=bindparam("because"), changed_at=bindparam("now"))
)


@dataclass(frozen=True)
class Claimed:
    """A message that is to be handed over now; `address` is None where it goes to a partner.

    `language` is the owner's, None where it is not known.
    """

    id: str
    alert_id: str
    news: str
    way: str
    n_attempts: int
    address: MailAddress | None = field(repr=False)
    name: str = field(repr=False)
    language: str | None = None


@dataclass(frozen=True)
class Ended:
    """What came of handing a message over.

    Attributes
    ----------
    state
        *sent*, *refused*, *given up*, *in doubt*, or *waiting*: to be tried again.
    why
        Without an address or a name.
    due_at
        When one that waits is tried again.
    n_attempts
        To be written down, if not what it was when it was claimed.
    bounced
        Whether the mailbox is said not to be there: its address is not written to any more.
    """

    message: Claimed
    state: str
    why: str | None = None
    due_at: datetime | None = None
    n_attempts: int | None = None
    bounced: bool = False


@dataclass(frozen=True)
class Wanted:
    """Which message may be claimed now.

    Attributes
    ----------
    way
        On which way.
    lists
        The lists that are drawn: alert and news.
    regions
        Whose time it is, as it is not night there.
    overdue
        The alerts whose first week is over.
    """

    way: str
    lists: Collection[tuple[str, str]]
    regions: Sequence[str]
    overdue: Collection[str] = ()


# ------------------------------------------------------------------------------ claims
def claim_next(
    records: Records,
    ended: Ended | None,
    wanted: Wanted,
    *,
    placing: Placing,
    refusals: Refusals,
    day: date,
    now: datetime,
) -> Claimed | None:
    """Write down what came of the last message, and claim the next one; None where none is due.

    Whoever may not be written to any more is left out at this moment, and the next is looked at.
    """
    while True:
        with records.writing() as connection:
            if ended is not None:
                _keep_end(connection, ended, now)
            for _ in range(_MOST_LEFT_OUT):
                row = _next_row(connection, wanted, now)
                if row is None:
                    return None
                held = _claim(connection, row, wanted, placing, refusals, day, now)
                if isinstance(held, Claimed):
                    return held
                values = {"state": LEFT_OUT, "why": held, "changed_at": now, "address_key": None}
                own = update(_message).where(_message.c.id == row.id)
                connection.execute(own.values(values))
        ended = None  # many were left out; others who write have their turn, then it goes on


def keep_end(records: Records, ended: Ended, *, now: datetime) -> None:
    """Write down what came of a message, where no other is claimed after it."""
    with records.writing() as connection:
        _keep_end(connection, ended, now)


def _next_row(connection: Connection, wanted: Wanted, now: datetime) -> Row[Any] | None:
    asked = {"alerts": [one for one, _ in wanted.lists], "way": wanted.way, "now": now}
    for region in wanted.regions:
        row = connection.execute(_NEXT, asked | {"region": region}).first()
        if row is not None:
            return row
    return None


def _claim(
    connection: Connection,
    row: Row[Any],
    wanted: Wanted,
    placing: Placing,
    refusals: Refusals,
    day: date,
    now: datetime,
) -> Claimed | str:
    """Claim a message, or return why its household is left out."""
    state = connection.scalar(_ALERT_STATE, {"alert": row.alert_id})
    if state not in _CLAIMED_OF[row.news]:
        return LeftOut.WITHDRAWN.value
    if row.news == ALERT and row.alert_id in wanted.overdue:
        return LeftOut.TOO_LATE.value
    address, kept, name, language = None, None, "", None
    if row.owner_id is not None:
        told = _address_now(connection, row, placing, refusals, day)
        if isinstance(told, str):
            return told
        address, kept, name, language = told
    if kept != row.address_key and _is_taken(connection, row, kept):
        return LeftOut.SAME_HOUSEHOLD.value  # somebody else of this address has the message by now
    values = {"message": row.id, "attempts": row.n_attempts + 1, "now": now, "kept": kept}
    connection.execute(_CLAIM, values)
    attempt = row.n_attempts + 1
    return Claimed(row.id, row.alert_id, row.news, row.way, attempt, address, name, language)


def _address_now(
    connection: Connection, row: Row[Any], placing: Placing, refusals: Refusals, day: date
) -> tuple[MailAddress, str, str, str | None] | str:
    """Return address, its key, name and language of whom a message goes to, or why it does not."""
    held = connection.execute(_OWNER, {"owner": row.owner_id}).first()
    if held is None:
        return LeftOut.ERASED.value
    try:
        address = find_address(held.contact or "")
    except AddressError as refusal:
        why = LeftOut.NO_ADDRESS if refusal.code == "none" else LeftOut.ADDRESS_REFUSED
        return why_left_out(why, refusal.code)
    kept = address_key(address, refusals.key)
    owners = [row.owner_id, *_others_told(connection, row)]
    facts = facts_of(connection, owners, region_id=row.region_id, placing=placing, day=day)
    because = judged(facts, stopped=_stopped(connection, kept, owners))
    if because is not None:
        return because.value
    if refusals.hold(connection, kept, day):  # by one who has no dog in this region
        return LeftOut.SAID_NO.value
    if len(owners) > 1:  # it may be the others' by now: then it does not name the one who is gone
        facts = facts_of(connection, owners[:1], region_id=row.region_id, placing=placing, day=day)
        if judged(facts, stopped=None) is not None:
            return address, kept, "", None
    return address, kept, held.name or "", held.language


def _is_taken(connection: Connection, row: Row[Any], kept: str | None) -> bool:
    """Say whether an address has this news from another message; writers come one by one."""
    same = and_(_message.c.alert_id == row.alert_id, _message.c.news == row.news)
    query = select(_message.c.id).where(
        same, _message.c.way == row.way, _message.c.address_key == kept
    )
    return connection.scalar(query.where(_message.c.id != row.id)) is not None


def _others_told(connection: Connection, row: Row[Any]) -> list[str]:
    """Return the other owners whom a message tells."""
    first = row.id
    if row.news == WITHDRAWAL:
        own = and_(_message.c.alert_id == row.alert_id, _message.c.owner_id == row.owner_id)
        first = connection.scalar(
            select(_message.c.id).where(own, _message.c.news == ALERT, _message.c.way == row.way)
        )
    return list(connection.scalars(_TOLD_BY, {"message": first}))


def _stopped(connection: Connection, kept: str, owner_ids: Iterable[str]) -> str | None:
    """Return why an address or one of its owners is not written to any more; None if they are."""
    found = connection.scalar(_STOP_OF_ADDRESS, {"key": kept})
    if found is None:
        found = connection.scalar(_STOP_OF_OWNERS, {"owners": list(owner_ids)})
    return found


def _keep_end(connection: Connection, ended: Ended, now: datetime) -> None:
    held = ended.message
    moved: dict[str, Any] = {}
    if ended.due_at is not None:
        moved["due_at"] = ended.due_at
    if ended.n_attempts is not None:
        moved["n_attempts"] = ended.n_attempts
    if moved:
        own = and_(_message.c.id == held.id, _message.c.state == SENDING)
        connection.execute(update(_message).where(own).values(moved))
    values = {"message": held.id, "ended": ended.state, "because": ended.why, "now": now}
    connection.execute(_ENDED, values)
    if ended.bounced:
        row = connection.execute(select(_message).where(_message.c.id == held.id)).one()
        stop = {"id": new_id(), "owner_id": row.owner_id, "address_key": row.address_key}
        connection.execute(
            tables.alert_stop.insert(),
            stop | {"reason": "bounced", "message_id": held.id, "at": now},
        )


def put_in_doubt(records: Records, *, now: datetime) -> int:
    """Mark what a process left that died while handing over; return how many there are.

    To be called only by whoever alone may hand over.
    """
    left = update(_message).where(_message.c.state == SENDING)
    why = "its process ended while it was being handed over"
    with records.reading() as connection:  # nearly always there is none: no need to write
        there = select(_message.c.id).where(_message.c.state == SENDING).limit(1)
        if connection.scalar(there) is None:
            return 0
    with records.writing() as connection:
        values = {"state": IN_DOUBT, "why": why, "changed_at": now}
        return connection.execute(left.values(values)).rowcount


def leave_out_withdrawn(connection: Connection, alert_id: str, *, now: datetime) -> int:
    """Leave out whoever still waits for an alert that is withdrawn; return how many."""
    own = and_(_message.c.alert_id == alert_id, _message.c.news == ALERT)
    values = {"state": LEFT_OUT, "why": LeftOut.WITHDRAWN.value, "changed_at": now}
    waiting = update(_message).where(own, _message.c.state == WAITING)
    return connection.execute(waiting.values(values)).rowcount
