"""Vets by random id, and which of them looks after which dog from which day on.

A vet is known by the name that the practice writes, and may be somebody who signs in. Who looks
after a dog is a dated row, as where it lives is: see `forecast.records.dated`.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from forecast.records import tables
from forecast.records.dated import DOG_VETS, current
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id

NOBODY = "nobody"  # in a file: nobody looks after this dog any more
LONGEST_NAME = 100


@dataclass(frozen=True)
class Vet:
    """One vet; `name` is "" once it was erased, `account_id` None where nobody signs in as it."""

    id: str
    name: str = field(repr=False)
    account_id: str | None = None


def name_key(name: str) -> str:
    """Return a vet's name as names are compared: neither case nor blanks count."""
    return " ".join(name.split()).casefold()


def vets(records: Records) -> list[Vet]:
    """Return all vets, by name."""
    with records.reading() as connection:
        rows = connection.execute(select(tables.vet)).all()
    found = [Vet(row.id, row.name or "", row.account_id) for row in rows]
    return sorted(found, key=lambda one: (one.name.casefold(), one.id))


def keep_vets(connection: Connection, names: Iterable[str]) -> dict[str, str]:
    """Return the ids of vets by name as it was given; those that are not on record are added."""
    table, wanted = tables.vet, list(names)
    known = {row.name_key: row.id for row in connection.execute(select(table)) if row.name_key}
    for name in wanted:
        key = name_key(name)
        if not key or len(key) > LONGEST_NAME or not key.isprintable() or key == NOBODY:
            raise RecordsError(
                f"a vet called {name[:LONGEST_NAME]!r} was to be added; a name has 1 to "
                f"{LONGEST_NAME} printable letters and is not {NOBODY!r}"
            )
        if key not in known:
            known[key] = new_id()
            values = {"id": known[key], "name": " ".join(name.split()), "name_key": key}
            connection.execute(insert(table).values(values))
    return {name: known[name_key(name)] for name in wanted}


def vets_on(
    connection: Connection, day: datetime.date, *, dog_id: str | None = None
) -> dict[str, str]:
    """Return the id of the vet who looks after each dog on a day; others are not in it."""
    found = current(connection, DOG_VETS, day, None if dog_id is None else [dog_id])
    return {dog: vet_id for dog, (vet_id,) in found.items() if vet_id is not None}


def last_assignment(records: Records) -> int:
    """Return a number that grows with every new row of who looks after which dog."""
    with records.reading() as connection:
        return connection.scalar(select(func.max(tables.dog_vet.c.id))) or 0


def assign(
    connection: Connection,
    vet_of: Mapping[str, str | None],
    *,
    since: datetime.date,
    by: str | None,
) -> None:
    """Write down from which day on a vet looks after each dog; None: nobody does."""
    rows: list[dict[str, Any]] = [
        {"dog_id": dog, "vet_id": vet_id, "date": since, "given_by": by}
        for dog, vet_id in vet_of.items()
    ]
    if rows:
        connection.execute(insert(tables.dog_vet), rows)


def link_account(connection: Connection, vet_id: str, account_id: str | None) -> None:
    """Say who signs in as a vet; whoever was another one is that no longer."""
    table = tables.vet
    if connection.scalar(select(table.c.id).where(table.c.id == vet_id)) is None:
        raise RecordsError("a vet was asked for who is not on record; look at the list again")
    if account_id is not None:
        was = update(table).where(table.c.account_id == account_id)
        connection.execute(was.values(account_id=None))
    connection.execute(update(table).where(table.c.id == vet_id).values(account_id=account_id))


def forget_vet_of(connection: Connection, account_id: str) -> None:
    """Erase the name of the vet that an account signed in as; its dogs stay under its random id."""
    table = tables.vet
    emptied = {"name": None, "name_key": None}
    connection.execute(update(table).where(table.c.account_id == account_id).values(emptied))


def owners_of(connection: Connection, dogs: Iterable[str]) -> dict[str, str]:
    """Return the random id of each dog's owner; of a dog without one, its own."""
    wanted, table = set(dogs), tables.dog
    rows = connection.execute(select(table.c.id, table.c.owner_id))
    return {row.id: row.owner_id or row.id for row in rows if row.id in wanted}
