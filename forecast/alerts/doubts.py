"""Messages in doubt: handed over, or about to be, when nobody was left to write down how it ended.

Only a person can tell, by asking the owner or looking into the mail server's log. They are listed
until somebody decides, and never sent again by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, select, update

from forecast.accounts.audit import Action, note
from forecast.alerts.household import LeftOut
from forecast.alerts.lists import insert_row as insert_message
from forecast.alerts.lists import is_drawn, withdrawal_row
from forecast.alerts.outbox import (
    ALERT,
    GIVEN_UP,
    IN_DOUBT,
    LEFT_OUT,
    REFUSED,
    SENT,
    WAITING,
    WITHDRAWAL,
)
from forecast.records import tables
from forecast.records.alerts import WITHDRAWN
from forecast.records.engine import Records, RecordsError
from forecast.records.notices import end_notice, raise_notice

_ABOUT = "alert messages in doubt"
_message = tables.alert_message


@dataclass(frozen=True)
class Doubt:
    """A message of which it is not known whether it arrived.

    `owner_id` is empty where it went to a partner; `since` is when the doubt began.
    """

    message_id: str
    alert_id: str
    news: str
    way: str
    owner_id: str | None
    owner_number: str
    since: datetime
    why: str


def doubts(records: Records, alert_id: str | None = None) -> list[Doubt]:
    """Return the messages in doubt, of one alert or of all, the oldest first."""
    owner = tables.owner
    query = (
        select(_message, owner.c.reference)
        .outerjoin(owner, owner.c.id == _message.c.owner_id)
        .where(_message.c.state == IN_DOUBT)
        .order_by(_message.c.changed_at, _message.c.id)
    )
    if alert_id is not None:
        query = query.where(_message.c.alert_id == alert_id)
    with records.reading() as connection:
        return [
            Doubt(
                *(row.id, row.alert_id, row.news, row.way, row.owner_id, row.reference or ""),
                *(row.changed_at, row.why or ""),
            )
            for row in connection.execute(query)
        ]


def tell_of_doubts(records: Records, *, now: datetime) -> None:
    """Raise the notice that messages wait for somebody's decision, or end it where none does."""
    n = len(doubts(records))
    if n == 0:
        end_notice(records, _ABOUT, now=now)
        return
    what = "1 message of an alert is" if n == 1 else f"{n} messages of alerts are"
    raise_notice(
        records,
        _ABOUT,
        f"{what} in doubt: nobody knows whether it arrived, and it is not sent again until "
        "somebody decides; `forepaw alert send` lists those, and so does the alert's page",
        now=now,
    )


def decide_doubt(
    records: Records, message_id: str, *, arrived: bool, by: str | None, now: datetime
) -> str:
    """Keep what a person decided on a message in doubt; return the state it has then.

    Parameters
    ----------
    arrived
        True: it counts as sent. False: it is sent once more, unless the alert was withdrawn.
    by
        The account, None for the command line.

    Raises
    ------
    RecordsError
        If there is no such message, or it is not in doubt any more.
    """
    with records.writing() as connection:
        row = connection.execute(select(_message).where(_message.c.id == message_id)).first()
        if row is None or row.state != IN_DOUBT:
            found = "there is none of that id" if row is None else f"it is {row.state}"
            raise RecordsError(
                f"message {message_id!r} was to be decided on; {found}, and only one that is in "
                "doubt can be; `forepaw alert send ALERT` lists those"
            )
        state, why = _decided(connection, row, arrived)
        values = {"state": state, "why": why, "due_at": now, "changed_at": now}
        values["decided_by"] = by or "command line"
        connection.execute(update(_message).where(_message.c.id == message_id).values(values))
        if arrived and row.news == ALERT and is_drawn(connection, row.alert_id, WITHDRAWAL):
            insert_message(connection, withdrawal_row(row, now))
        note(connection, Action.DOUBT_DECIDED, by=by, subject=message_id, now=now)
    tell_of_doubts(records, now=now)
    return state


def try_again(records: Records, alert_id: str, *, by: str | None, now: datetime) -> int:
    """Let what was refused or given up wait again, as once a server's trouble is mended.

    It was surely not taken, so nobody gets it twice. An address that is not there stays stopped.
    """
    own = (_message.c.alert_id == alert_id, _message.c.state.in_((REFUSED, GIVEN_UP)))
    values = {"state": WAITING, "why": None, "n_attempts": 0, "due_at": now, "changed_at": now}
    values["decided_by"] = by or "command line"
    with records.writing() as connection:
        note(connection, Action.DEAD_LETTERS_TRIED, by=by, subject=alert_id, now=now)
        return connection.execute(update(_message).where(*own).values(values)).rowcount


def _decided(connection: Connection, row: Row[Any], arrived: bool) -> tuple[str, str | None]:
    if arrived:
        return SENT, "a person said that it arrived"
    alert = tables.alert
    state = connection.scalar(select(alert.c.state).where(alert.c.id == row.alert_id))
    if row.news == ALERT and state == WITHDRAWN:
        return LEFT_OUT, LeftOut.WITHDRAWN.value
    return WAITING, None
