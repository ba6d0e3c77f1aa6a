"""Keys of the practice's own: what signs links in mails, and stands in the place of addresses.

They are kept in the records, not among the secrets, so that a back-up holds them: a link in a mail
of last year must still be taken after a restore.
"""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import Final

from sqlalchemy import insert, select

from forecast.records.delivery_tables import signing_key as _table
from forecast.records.engine import Records

ADDRESSES: Final = "addresses"
UNSUBSCRIBE: Final = "unsubscribe"
_BYTES = 32


def signing_key(records: Records, purpose: str, *, now: datetime) -> bytes:
    """Return the key for a purpose; it is made when first asked for."""
    query = select(_table.c.key).where(_table.c.purpose == purpose)
    with records.reading() as connection:
        held = connection.scalar(query)
    if held is None:
        with records.writing() as connection:
            held = connection.scalar(query)
            if held is None:
                held = secrets.token_hex(_BYTES)
                values = {"purpose": purpose, "key": held, "made_at": now}
                connection.execute(insert(_table), values)
    return bytes.fromhex(held)
