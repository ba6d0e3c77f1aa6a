"""Texts of alerts: every version, who said yes or no to which, and the fixed blocks.

What is sent is the text that was approved, to the letter: `AlertText.whole`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import Connection, func, select

from forecast.records import tables
from forecast.records.engine import Records


@dataclass(frozen=True)
class AlertText:
    """One version of an alert's text in one language, without any owner's name."""

    alert_id: str
    language: str
    number: int
    subject: str
    body: str
    blocks: str
    written_at: datetime
    written_by: str

    @property
    def whole(self) -> str:
        """What an owner reads below the subject."""
        return f"{self.body.strip()}\n\n{self.blocks.strip()}\n"


@dataclass(frozen=True)
class Decision:
    """One person's yes or no to the exact texts whose hash it holds."""

    id: str
    alert_id: str
    decided_by: str
    decided_at: datetime
    decision: Literal["approved", "refused"]
    text_sha256: str
    n_recipients: int | None = None
    remark: str | None = None


def texts_sha256(texts: Iterable[AlertText]) -> str:
    """Return the hash of texts as they are read: language, subject, body and blocks."""
    told = sorted((one.language, one.subject, one.body, one.blocks) for one in texts)
    return hashlib.sha256(json.dumps(told, ensure_ascii=True).encode()).hexdigest()


def add_text(connection: Connection, text: AlertText) -> None:
    """Keep a newer version of a text."""
    connection.execute(tables.alert_text.insert(), vars(text))


def text_history(records: Records, alert_id: str) -> list[AlertText]:
    """Return every version of an alert's texts, by language, the newest first."""
    with records.reading() as connection:
        return _text_history(connection, alert_id)


def _text_history(connection: Connection, alert_id: str) -> list[AlertText]:
    table = tables.alert_text
    query = select(table).where(table.c.alert_id == alert_id)
    rows = connection.execute(query.order_by(table.c.language, table.c.number.desc()))
    return [AlertText(**row._mapping) for row in rows]


def texts(records: Records, alert_id: str) -> dict[str, AlertText]:
    """Return an alert's texts as they stand, by language."""
    with records.reading() as connection:
        return texts_within(connection, alert_id)


def texts_within(connection: Connection, alert_id: str) -> dict[str, AlertText]:
    """Return the same within a transaction of the caller's."""
    newest: dict[str, AlertText] = {}
    for text in _text_history(connection, alert_id):
        newest.setdefault(text.language, text)
    return newest


# ------------------------------------------------------------------------------ decisions
def add_decision(connection: Connection, one: Decision) -> None:
    """Keep a person's decision."""
    connection.execute(tables.alert_decision.insert(), vars(one))


def decisions(records: Records, alert_id: str) -> list[Decision]:
    """Return the decisions on an alert, the oldest first."""
    with records.reading() as connection:
        return decisions_within(connection, alert_id)


def decisions_within(connection: Connection, alert_id: str) -> list[Decision]:
    """Return the same within a transaction of the caller's."""
    table = tables.alert_decision
    query = select(table).where(table.c.alert_id == alert_id)
    # of one moment a no comes last, and so counts
    rows = connection.execute(query.order_by(table.c.decided_at, table.c.decision, table.c.id))
    return [Decision(**row._mapping) for row in rows]


# ------------------------------------------------------------------------------ the fixed blocks
def approve_blocks(
    connection: Connection, *, language: str, blocks_sha256: str, by: str, now: datetime
) -> None:
    """Keep that a vet read and approved the fixed blocks of a language; again changes nothing."""
    table = tables.alert_block_approval
    there = select(func.count()).where(
        table.c.language == language, table.c.blocks_sha256 == blocks_sha256
    )
    if not connection.scalar(there):
        values = {"language": language, "blocks_sha256": blocks_sha256}
        connection.execute(table.insert(), values | {"approved_by": by, "approved_at": now})


def approved_blocks(records: Records) -> dict[tuple[str, str], tuple[str, datetime]]:
    """Return who approved which fixed blocks when, by language and hash."""
    table = tables.alert_block_approval
    with records.reading() as connection:
        return {
            (row.language, row.blocks_sha256): (row.approved_by, row.approved_at)
            for row in connection.execute(select(table))
        }
