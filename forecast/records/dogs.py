"""Dogs by random id, and, apart from them, who they and their owners are."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, delete, exists, select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id

STATUS_NOT_KNOWN = "not known"
_IDS = select(tables.dog_identity.c.reference, tables.dog_identity.c.dog_id)


@dataclass(frozen=True)
class Dog:
    """What is known of a dog without saying which dog it is; None is "not known"."""

    id: str
    owner_id: str | None
    species: str | None
    breed: str | None
    birth_date: date | None
    sex: str | None
    neutered: bool | None
    status: str
    home_region: str | None
    branch_id: str | None


@dataclass(frozen=True)
class DogIdentity:
    """Which dog it is. Its name stays out of `repr`, so that no log gets it by accident."""

    dog_id: str
    reference: str
    name: str | None = field(repr=False)


@dataclass(frozen=True)
class Owner:
    """Who an owner is; name and contact stay out of `repr`."""

    id: str
    reference: str | None
    name: str | None = field(repr=False)
    contact: str | None = field(repr=False)


def dogs(records: Records, *, status: str | None = None) -> list[Dog]:
    """Return all dogs, or those of one status, in the order of the practice's references."""
    identity = tables.dog_identity
    query = select(tables.dog).outerjoin(identity, identity.c.dog_id == tables.dog.c.id)
    query = query.order_by(identity.c.reference, tables.dog.c.id)
    if status is not None:
        query = query.where(tables.dog.c.status == status)
    with records.reading() as connection:
        return [_dog(row) for row in connection.execute(query)]


def dog(records: Records, dog_id: str) -> Dog:
    """Return one dog."""
    with records.reading() as connection:
        row = connection.execute(select(tables.dog).where(tables.dog.c.id == dog_id)).first()
    if row is None:
        raise RecordsError(f"dog {dog_id!r} was asked for; the records hold no such id")
    return _dog(row)


def _dog(row: Row[Any]) -> Dog:
    return Dog(**row._mapping)


def identity_of(records: Records, dog_id: str) -> DogIdentity | None:
    """Return which dog it is; None where that was erased."""
    table = tables.dog_identity
    with records.reading() as connection:
        row = connection.execute(select(table).where(table.c.dog_id == dog_id)).first()
    return None if row is None else DogIdentity(**row._mapping)


def owner_of(records: Records, dog_id: str) -> Owner | None:
    """Return a dog's owner; None where not known or erased."""
    query = select(tables.owner).join(tables.dog, tables.dog.c.owner_id == tables.owner.c.id)
    with records.reading() as connection:
        row = connection.execute(query.where(tables.dog.c.id == dog_id)).first()
    return None if row is None else Owner(**row._mapping)


def dog_ids(records: Records) -> dict[str, str]:
    """Return the random id of each dog by the practice's own reference."""
    with records.reading() as connection:
        rows = connection.execute(_IDS)
        return {reference: dog_id for reference, dog_id in rows}


def add_unregistered(connection: Connection, references: Collection[str]) -> dict[str, str]:
    """Return the id of each reference; one without gets a dog of which nothing else is known."""
    rows = connection.execute(_IDS.where(tables.dog_identity.c.reference.in_(references)))
    known = {reference: dog_id for reference, dog_id in rows}
    new = {reference: new_id() for reference in references if reference not in known}
    if new:
        blank = [{"id": dog_id, "status": STATUS_NOT_KNOWN} for dog_id in new.values()]
        named = [{"reference": reference, "dog_id": dog_id} for reference, dog_id in new.items()]
        connection.execute(tables.dog.insert(), blank)
        connection.execute(tables.dog_identity.insert(), named)
    return known | new


def keep_owners(connection: Connection, found: Mapping[str, tuple[str, str]]) -> dict[str, str]:
    """Add or update owners given as reference -> (name, contact); return their ids.

    Like everything that is kept up to date, an empty value leaves what is held.
    """
    table = tables.owner
    known = {row.reference: row.id for row in connection.execute(select(table))}
    for reference, (name, contact) in found.items():
        values = {k: v for k, v in (("name", name), ("contact", contact)) if v}
        if reference in known and not values:
            continue
        if reference in known:
            connection.execute(update(table).where(table.c.id == known[reference]).values(values))
        else:
            known[reference] = new_id()
            connection.execute(
                table.insert().values(id=known[reference], reference=reference, **values)
            )
    return known


def keep_dogs(connection: Connection, found: Mapping[str, tuple[str, dict[str, Any]]]) -> None:
    """Add or update dogs given as reference -> (name, columns of `dog`)."""
    ids = add_unregistered(connection, list(found))
    for reference, (name, values) in found.items():
        dog_id = ids[reference]
        if values:
            connection.execute(update(tables.dog).where(tables.dog.c.id == dog_id).values(values))
        if name:
            identity = tables.dog_identity
            connection.execute(
                update(identity).where(identity.c.dog_id == dog_id).values(name=name)
            )


def erase_owner(records: Records, owner_id: str) -> int:
    """Erase who an owner and the owner's dogs are; return the number of dogs.

    Visits, counts, plans and audit stay, as they know a dog by its random id only. Asking again
    changes nothing.
    """
    own = select(tables.dog.c.id).where(tables.dog.c.owner_id == owner_id)
    with records.writing() as connection:
        gone = connection.execute(
            delete(tables.dog_identity).where(tables.dog_identity.c.dog_id.in_(own))
        )
        connection.execute(delete(tables.owner).where(tables.owner.c.id == owner_id))
    return gone.rowcount


def sweep_unregistered(records: Records) -> int:
    """Remove dogs of which nothing is known and nothing recorded: left by an import undone."""
    dog_table = tables.dog
    users = (
        tables.visit,
        tables.therapy_event,
        tables.pruritus_score,
        tables.dog_fact,
        tables.dose_plan,
    )
    unused = [~exists().where(table.c.dog_id == dog_table.c.id) for table in users]
    blank = select(dog_table.c.id).where(
        dog_table.c.status == STATUS_NOT_KNOWN,
        dog_table.c.owner_id.is_(None),
        dog_table.c.species.is_(None),
        *unused,
    )
    with records.writing() as connection:
        ids = list(connection.scalars(blank))
        for table, column in ((tables.dog_identity, "dog_id"), (dog_table, "id")):
            connection.execute(delete(table).where(table.c[column].in_(ids)))
    return len(ids)
