"""How many messages of alerts there are in which state, and whether one could be claimed now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import and_, func, select

from forecast.alerts.outbox import FOLDER, SENDING, SENT, WAITING
from forecast.records import tables
from forecast.records.engine import Records

_message = tables.alert_message


def standing(records: Records, alert_id: str) -> dict[tuple[str, str, str, str], int]:
    """Return how many messages of an alert there are by news, way, state and why ("" for none)."""
    keys = (_message.c.news, _message.c.way, _message.c.state, _message.c.why)
    query = select(*keys, func.count()).where(_message.c.alert_id == alert_id).group_by(*keys)
    with records.reading() as connection:
        return {
            (news, way, state, why or ""): n
            for news, way, state, why, n in connection.execute(query)
        }


def in_words(way: str, state: str) -> str:
    """Return how a message stands, for people: in the folder nobody has been written to yet."""
    return "laid into the folder" if (way, state) == (FOLDER, SENT) else state


def n_waiting(records: Records, alert_id: str | None = None) -> int:
    """Return how many messages wait or are being handed over, of one alert or of all."""
    query = select(func.count()).where(_message.c.state.in_((WAITING, SENDING)))
    if alert_id is not None:
        query = query.where(_message.c.alert_id == alert_id)
    with records.reading() as connection:
        return int(connection.scalar(query) or 0)


def has_due(
    records: Records, *, regions: Sequence[str], ways: Sequence[str], now: datetime
) -> bool:
    """Say whether a message of some regions could be claimed now."""
    due = and_(
        *(_message.c.state == WAITING, _message.c.region_id.in_(list(regions))),
        *(_message.c.due_at <= now, _message.c.way.in_(list(ways))),
    )
    with records.reading() as connection:
        return connection.scalar(select(_message.c.id).where(due).limit(1)) is not None


def counts_of_states(counts: Mapping[tuple[str, str, str, str], int], news: str) -> dict[str, int]:
    """Return how many messages there are in each state, of one piece of news."""
    found: dict[str, int] = {}
    for (of, _, state, _), n in counts.items():
        if of == news:
            found[state] = found.get(state, 0) + n
    return found
