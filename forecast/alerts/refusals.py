"""Addresses at which somebody said no: whoever shares one is left out, wherever their dogs live.

A no may come while an alert goes out, of somebody without a dog in its region, who is on no list.
"""

from __future__ import annotations

import time
from datetime import date
from typing import Final

from sqlalchemy import Connection, func, select

from forecast.alerts.household import answer_of, hear
from forecast.alerts.mail_addresses import AddressError, address_key, find_address
from forecast.records import tables
from forecast.records.bulk import ROWS_PER_BATCH

# An answer is looked for with each message; contacts and clicks, of which no number tells that
# there are new ones, so often.
LOOKS_EVERY: Final = 10.0  # s
_consent, _owner, _stop = tables.consent, tables.owner, tables.alert_stop
_NEWEST_ANSWER = select(func.max(_consent.c.id))
_SAID_NO = select(_consent.c.owner_id).where(_consent.c.answer == "no").distinct()
_HAVE_STOPPED = select(_stop.c.owner_id).where(
    _stop.c.lifted_at.is_(None), _stop.c.reason != "bounced", _stop.c.owner_id.is_not(None)
)


class Refusals:
    """Keys of the addresses at which somebody wants no alert, as they stand when asked for.

    Parameters
    ----------
    key
        Of the practice, which addresses are hashed with.
    """

    def __init__(self, key: bytes) -> None:
        self.key = key
        self._keys: frozenset[str] = frozenset()
        self._as_of: tuple[int | None, date] | None = None
        self._read_at = 0.0

    def hold(self, connection: Connection, kept: str, day: date) -> bool:
        """Say whether somebody at an address said no by a day; read anew once there are answers."""
        as_of = (connection.scalar(_NEWEST_ANSWER), day)
        if as_of != self._as_of or time.monotonic() - self._read_at >= LOOKS_EVERY:
            self._keys = refusing_keys(connection, day, self.key)
            self._as_of, self._read_at = as_of, time.monotonic()
        return kept in self._keys


def refusing_keys(connection: Connection, day: date, key: bytes) -> frozenset[str]:
    """Return the keys of the addresses of all who said no to alerts, or stopped them by a click."""
    stopped = set(connection.scalars(_HAVE_STOPPED))
    asked = sorted({*connection.scalars(_SAID_NO), *stopped})
    found = set[str]()
    for start in range(0, len(asked), ROWS_PER_BATCH):
        part = asked[start : start + ROWS_PER_BATCH]
        said = _answers(connection, part, day)
        contacts = select(_owner.c.id, _owner.c.contact).where(_owner.c.id.in_(part))
        for owner_id, contact in connection.execute(contacts):
            if owner_id in stopped or answer_of(said.get(owner_id, {})) == "no":
                found |= _key_of(contact or "", key)
    return frozenset(found)


def _answers(connection: Connection, owner_ids: list[str], day: date) -> dict[str, dict[str, str]]:
    said: dict[str, dict[str, str]] = {}
    query = (
        select(_consent.c.owner_id, _consent.c.what, _consent.c.answer)
        .where(_consent.c.owner_id.in_(owner_ids), _consent.c.date <= day)
        .order_by(_consent.c.date, _consent.c.id)
    )
    for owner_id, what, answer in connection.execute(query):
        hear(said.setdefault(owner_id, {}), what, answer)
    return said


def _key_of(contact: str, key: bytes) -> set[str]:
    try:
        return {address_key(find_address(contact), key)}
    except AddressError:
        return set()  # nobody is written to there
