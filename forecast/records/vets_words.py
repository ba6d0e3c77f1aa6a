"""A vet's word that doses may be planned to hold longer in a dog than was ever measured.

A row is never changed: a later one takes its place, and one without days takes it back.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, insert, select

from forecast.records import tables
from forecast.records.engine import Records

# What stands for a name, or a reason, that was taken away since.
NAME_GONE, REASON_GONE = "a vet whose name was erased", "the reason is no longer kept"


@dataclass(frozen=True)
class KeptWord:
    """A vet's word on one dog and class of therapy, as it holds; the reason may name somebody."""

    dog_id: str
    therapy: str
    days: int
    signed: datetime.date
    vet: str
    reason: str = field(repr=False)


def add_word(connection: Connection, dog_id: str, values: Mapping[str, Any]) -> None:
    """Add a vet's word on a dog in a writing transaction of the caller's."""
    connection.execute(insert(tables.vets_word).values(dog_id=dog_id, **values))


def vets_words(
    records: Records, *, on: datetime.date, dog_id: str | None = None
) -> dict[tuple[str, str], KeptWord]:
    """Return the words that hold on a day, by dog and class of therapy."""
    table, who = tables.vets_word, tables.account_identity
    query = (
        select(table, who.c.name)
        .outerjoin(who, who.c.account_id == table.c.signed_by)
        .where(table.c.date <= on)
        .order_by(table.c.date, table.c.id)
    )
    query = query if dog_id is None else query.where(table.c.dog_id == dog_id)
    with records.reading() as connection:
        newest = {(row.dog_id, row.therapy): row for row in connection.execute(query)}
    return {
        key: KeptWord(
            row.dog_id,
            row.therapy,
            row.days,
            row.date,
            row.name or NAME_GONE,
            row.reason or REASON_GONE,
        )
        for key, row in newest.items()
        if row.days is not None
    }
