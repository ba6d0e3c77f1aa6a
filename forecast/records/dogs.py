"""Dogs by random id, and, apart from them, who they and their owners are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, select, update

from forecast.homes import NOT_KNOWN, Home
from forecast.records import tables
from forecast.records.dated import STATUS_NOT_KNOWN, dog_statuses_on, homes_on
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id
from forecast.records.strangers import add_unregistered


@dataclass(frozen=True)
class Dog:
    """What is known of a dog on a day, without saying which dog it is; None is "not known"."""

    id: str
    owner_id: str | None
    species: str | None
    breed: str | None
    birth_date: date | None
    sex: str | None
    neutered: bool | None
    branch_id: str | None
    status: str
    home: Home


@dataclass(frozen=True)
class DogIdentity:
    """Which dog it is. Its name stays out of `repr`, so that no log gets it by accident."""

    dog_id: str
    reference: str
    name: str | None = field(repr=False)


@dataclass(frozen=True)
class Owner:
    """Who an owner is; name and contact stay out of `repr`. `language` is a code of ISO 639-1."""

    id: str
    reference: str | None
    name: str | None = field(repr=False)
    contact: str | None = field(repr=False)
    language: str | None


@dataclass(frozen=True)
class OwnerTold:
    """What is told of an owner; empty where nothing is. Name and contact stay out of `repr`."""

    name: str = field(repr=False)
    contact: str = field(repr=False)
    language: str = ""


def dogs(records: Records, *, on: date, status: str | None = None) -> list[Dog]:
    """Return all dogs as of a day, or those of one status, in the order of their references."""
    identity = tables.dog_identity
    query = select(tables.dog).outerjoin(identity, identity.c.dog_id == tables.dog.c.id)
    query = query.order_by(identity.c.reference, tables.dog.c.id)
    with records.reading() as connection:
        rows = connection.execute(query).all()
        statuses, homes = dog_statuses_on(connection, on), homes_on(connection, on)
    found = [_dog(row, statuses, homes) for row in rows]
    return found if status is None else [one for one in found if one.status == status]


def dog(records: Records, dog_id: str, *, on: date) -> Dog:
    """Return one dog as of a day."""
    with records.reading() as connection:
        row = connection.execute(select(tables.dog).where(tables.dog.c.id == dog_id)).first()
        statuses = dog_statuses_on(connection, on, dog_id=dog_id)
        homes = homes_on(connection, on, dog_id=dog_id)
    if row is None:
        raise RecordsError(f"dog {dog_id!r} was asked for; the records hold no such id")
    return _dog(row, statuses, homes)


def _dog(row: Row[Any], statuses: Mapping[str, str], homes: Mapping[str, Home]) -> Dog:
    status = statuses.get(row.id, STATUS_NOT_KNOWN)
    return Dog(**row._mapping, status=status, home=homes.get(row.id, NOT_KNOWN))


def identity_of(records: Records, dog_id: str) -> DogIdentity | None:
    """Return which dog it is; None where that was erased."""
    table = tables.dog_identity
    with records.reading() as connection:
        row = connection.execute(select(table).where(table.c.dog_id == dog_id)).first()
    return None if row is None else DogIdentity(**row._mapping)


def identities(records: Records) -> dict[str, DogIdentity]:
    """Return which dog each is, by random id; those erased are not in it."""
    with records.reading() as connection:
        rows = connection.execute(select(tables.dog_identity)).all()
    return {row.dog_id: DogIdentity(**row._mapping) for row in rows}


def owner_of(records: Records, dog_id: str) -> Owner | None:
    """Return a dog's owner; None where not known or erased."""
    query = select(tables.owner).join(tables.dog, tables.dog.c.owner_id == tables.owner.c.id)
    with records.reading() as connection:
        row = connection.execute(query.where(tables.dog.c.id == dog_id)).first()
    return None if row is None else Owner(**row._mapping)


def dogs_of_owner(records: Records, number: str) -> set[str]:
    """Return the ids of an owner's dogs, by the practice's own number of the owner."""
    dog, owner = tables.dog, tables.owner
    query = select(dog.c.id).join(owner, owner.c.id == dog.c.owner_id)
    with records.reading() as connection:
        return set(connection.scalars(query.where(owner.c.reference == number)))


def dog_ids(records: Records) -> dict[str, str]:
    """Return the random id of each dog by the practice's own reference."""
    with records.reading() as connection:
        identity = tables.dog_identity
        rows = connection.execute(select(identity.c.reference, identity.c.dog_id))
        return {reference: dog_id for reference, dog_id in rows}


def language_of(connection: Connection, owner_id: str | None) -> str | None:
    """Return the language in which an owner is written to; None where it is not known."""
    if owner_id is None:
        return None
    table = tables.owner
    found: str | None = connection.scalar(select(table.c.language).where(table.c.id == owner_id))
    return found


def keep_language(connection: Connection, owner_id: str, language: str | None) -> None:
    """Keep in which language an owner is written to; None: not known."""
    table = tables.owner
    connection.execute(update(table).where(table.c.id == owner_id).values(language=language))


def keep_owners(connection: Connection, found: Mapping[str, OwnerTold]) -> dict[str, str]:
    """Add or update owners given by reference; return their ids.

    Like everything that is kept up to date, an empty value leaves what is held.
    """
    table = tables.owner
    known = {row.reference: row.id for row in connection.execute(select(table))}
    for reference, told in found.items():
        values = {name: value for name, value in vars(told).items() if value}
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


def keep_dogs(
    connection: Connection, found: Mapping[str, tuple[str, dict[str, Any]]]
) -> dict[str, str]:
    """Add or update dogs given as reference -> (name, columns of `dog`); return their ids."""
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
    return ids
