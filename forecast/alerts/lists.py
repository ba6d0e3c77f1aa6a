"""Lists of alerts in the outbox: written in batches, and counting only once they are whole.

Keys are unique in the records, alert and owner as well as alert and address: a list that is drawn
again cannot add anybody twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Row, and_, delete, select

from forecast.alerts.household import why_left_out
from forecast.alerts.outbox import ALERT, LEFT_OUT, SENT, WAITING, WEBHOOK, WITHDRAWAL
from forecast.alerts.recipients import RecipientList
from forecast.records import tables
from forecast.records.alerts import Alert
from forecast.records.bulk import batches, insert_rows
from forecast.records.engine import Records
from forecast.records.identifiers import new_id

_COLUMNS = (
    *("id", "alert_id", "news", "way", "region_id", "owner_id", "told_by", "address_key"),
    *("state", "why", "n_attempts", "due_at", "changed_at"),
)
_message = tables.alert_message
_Values = tuple[Any, ...]


def keep_list(
    records: Records,
    alert: Alert,
    recipients: RecipientList,
    *,
    way: str,
    partner: bool,
    now: datetime,
) -> None:
    """Write an alert's list down; its messages count once the last row is there.

    What a process left that died at it is taken away first.
    """
    forget_half_list(records, alert.id, ALERT)
    ids = {one.owner_id: new_id() for one in recipients.listed}
    common = (alert.id, ALERT, way, alert.region_id)
    moment = _moment(now)
    rows = [
        (
            *(ids[one.owner_id], *common, one.owner_id),
            *(None if one.same_as is None else ids[one.same_as], one.address_key),
            WAITING if one.left_out is None else LEFT_OUT,
            None if one.left_out is None else why_left_out(one.left_out, one.detail),
            *(0, moment, moment),
        )
        for one in recipients.listed
    ]
    if partner:
        rows.append(_to_partner(alert.id, ALERT, alert.region_id, moment))
    n_waiting = sum(row[_COLUMNS.index("state")] == WAITING for row in rows)
    _keep_rows(records, rows)
    with records.writing() as connection:
        _flip(connection, alert.id, ALERT, n_waiting, len(rows) - n_waiting, now)


def keep_withdrawal_list(records: Records, alert_id: str, *, now: datetime) -> None:
    """Write down whom a withdrawal is told: those alone who got the alert."""
    forget_half_list(records, alert_id, WITHDRAWAL)
    got = select(_message).where(
        _message.c.alert_id == alert_id, _message.c.news == ALERT, _message.c.state == SENT
    )
    with records.reading() as connection:
        found = connection.execute(got).all()
    _keep_rows(records, [withdrawal_row(row, now) for row in found])
    known = {row.id for row in found}
    with records.writing() as connection:
        # of some it was in doubt, and somebody said meanwhile that it had arrived
        late = set(connection.scalars(got.with_only_columns(_message.c.id))) - known
        for row in connection.execute(got.where(_message.c.id.in_(late))).all():
            insert_row(connection, withdrawal_row(row, now))
        _flip(connection, alert_id, WITHDRAWAL, len(known) + len(late), 0, now)


def insert_row(connection: Connection, row: _Values) -> None:
    """Add one message to a list that is drawn."""
    insert_rows(connection, _message, _COLUMNS, [row])


def withdrawal_row(row: Row[Any], now: datetime) -> _Values:
    """Return the message that tells whoever got an alert's message that it is withdrawn."""
    moment = _moment(now)
    if row.owner_id is None:
        return _to_partner(row.alert_id, WITHDRAWAL, row.region_id, moment)
    head = (new_id(), row.alert_id, WITHDRAWAL, row.way, row.region_id, row.owner_id)
    return (*head, None, row.address_key, WAITING, None, 0, moment, moment)


def _to_partner(alert_id: str, news: str, region_id: str, moment: str) -> _Values:
    """Return the row of the one message to a partner, of which there is one by its id."""
    own = f"{alert_id}-{news}-partner"
    head = (own, alert_id, news, WEBHOOK, region_id, None, None, None)
    return (*head, WAITING, None, 0, moment, moment)


def _keep_rows(records: Records, rows: Sequence[_Values]) -> None:
    for part in batches(rows):
        with records.writing() as connection:
            insert_rows(connection, _message, _COLUMNS, part)


def forget_half_list(records: Records, alert_id: str, news: str) -> None:
    """Take away the rows of a list that was not drawn to its end."""
    own = and_(_message.c.alert_id == alert_id, _message.c.news == news)
    with records.writing() as connection:
        if not is_drawn(connection, alert_id, news):
            connection.execute(delete(_message).where(own, _message.c.told_by.is_not(None)))
            connection.execute(delete(_message).where(own))


def _flip(
    connection: Connection, alert_id: str, news: str, n_waiting: int, n_left_out: int, now: datetime
) -> None:
    values = {"alert_id": alert_id, "news": news, "drawn_at": now}
    values |= {"n_waiting": n_waiting, "n_left_out": n_left_out}
    connection.execute(tables.alert_list.insert(), values)


def is_drawn(connection: Connection, alert_id: str, news: str) -> bool:
    """Say whether a list is drawn to its end."""
    table = tables.alert_list
    query = select(table.c.news).where(table.c.alert_id == alert_id, table.c.news == news)
    return connection.scalar(query) is not None


def drawn_lists(records: Records) -> set[tuple[str, str]]:
    """Return which lists are drawn: alert and news."""
    table = tables.alert_list
    with records.reading() as connection:
        return {
            (one, news) for one, news in connection.execute(select(table.c.alert_id, table.c.news))
        }


def _moment(now: datetime) -> str:
    """Return a moment as the records keep it, for rows that go in the driver's own way."""
    return now.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
