"""Dogs and owners that a visit names and no register has told of: added, and swept if unused."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    Table,
    bindparam,
    delete,
    exists,
    select,
    update,
)

from forecast.records import tables
from forecast.records.bulk import batches, insert_rows
from forecast.records.engine import Records
from forecast.records.identifiers import new_id
from forecast.records.imports import PENDING

REFERENCES_PER_QUERY = 5_000  # some databases take no more than 32,766; a group has more dogs
_DOGS_PER_BATCH = 200  # each touches four indexes in a place of its own
_DOG_IDS = select(tables.dog_identity.c.reference, tables.dog_identity.c.dog_id)
_OWNER_IDS = select(tables.owner.c.reference, tables.owner.c.id)


def add_unregistered(connection: Connection, references: Collection[str]) -> dict[str, str]:
    """Return the id of each dog; one without gets a dog of which nothing else is known."""
    return _add_dogs(connection, dict.fromkeys(references))


def _add_dogs(connection: Connection, owner_ids: Mapping[str, str | None]) -> dict[str, str]:
    """Return the id of each dog; new ones get the owner that goes with their reference."""
    known = _known(connection, _DOG_IDS, tables.dog_identity, list(owner_ids))
    new = {reference: new_id() for reference in owner_ids if reference not in known}
    rows = [(dog_id, owner_ids[reference]) for reference, dog_id in new.items()]
    insert_rows(connection, tables.dog, ("id", "owner_id"), rows)
    named = [(dog_id, reference) for reference, dog_id in new.items()]
    insert_rows(connection, tables.dog_identity, ("dog_id", "reference"), named)
    return known | new


def add_unnamed(records: Records, dog_ids: Sequence[str]) -> None:
    """Add the dogs that are not on record, without any identity: they were erased."""
    for part in batches(dog_ids):
        with records.writing() as connection:
            there = select(tables.dog.c.id).where(tables.dog.c.id.in_(part))
            new = set(part) - set(connection.scalars(there))
            if new:
                connection.execute(tables.dog.insert(), [{"id": dog_id} for dog_id in new])


def _add_owners(connection: Connection, references: Collection[str]) -> dict[str, str]:
    known = _known(connection, _OWNER_IDS, tables.owner, list(references))
    new = {reference: new_id() for reference in references if reference not in known}
    rows = [(owner_id, reference) for reference, owner_id in new.items()]
    insert_rows(connection, tables.owner, ("id", "reference"), rows)
    return known | new


def _known(
    connection: Connection, query: Select[Any], table: Table, wanted: Sequence[str]
) -> dict[str, str]:
    known = dict[str, str]()
    for start in range(0, len(wanted), REFERENCES_PER_QUERY):
        part = wanted[start : start + REFERENCES_PER_QUERY]
        rows = connection.execute(query.where(table.c.reference.in_(part)))
        known |= {reference: one for reference, one in rows}
    return known


def add_dogs_of(
    records: Records, owners: Mapping[str, str], *, tell: Callable[[int], None] | None = None
) -> dict[str, str]:
    """Return the ids of dogs given as reference -> their owner's reference ("" if not known).

    Dogs and owners that are not on record are added. A dog whose owner is on record keeps it: who
    owns a dog is the register's to say.
    """
    with records.reading() as connection:
        ids = _known(connection, _DOG_IDS, tables.dog_identity, list(owners))
        without = select(tables.dog.c.id).where(tables.dog.c.owner_id.is_(None))
        ownerless = set(connection.scalars(without))
    lacking = [
        reference
        for reference, owner in owners.items()
        if reference not in ids or (owner and ids[reference] in ownerless)
    ]
    for part in batches(lacking, n_rows=_DOGS_PER_BATCH):
        with records.writing() as connection:
            owner_ids = _add_owners(connection, {owners[reference] for reference in part} - {""})
            theirs = {reference: owner_ids.get(owners[reference]) for reference in part}
            added = _add_dogs(connection, theirs)
            on_record = {r: owner for r, owner in theirs.items() if owner and r in ids}
            _link(connection, {added[r]: owner for r, owner in on_record.items()})
        ids |= added
        if tell is not None:
            tell(len(part))
    return {reference: ids[reference] for reference in owners}


def _link(connection: Connection, owners: Mapping[str, str]) -> None:
    table = tables.dog
    if owners:
        connection.execute(
            update(table)
            .where(table.c.id == bindparam("of_dog"), table.c.owner_id.is_(None))
            .values(owner_id=bindparam("its_owner")),
            [{"of_dog": dog, "its_owner": owner} for dog, owner in owners.items()],
        )


def sweep_unregistered(records: Records) -> int:
    """Remove dogs of which nothing is known or recorded, and owners without a dog or a name.

    They are left by an import undone. Nothing is swept while an import is under way: its dogs come
    before their visits.
    """
    dog, owner = tables.dog, tables.owner
    n_swept = 0
    for part in batches(_ids(records, dog, _is_blank())):
        with records.writing() as connection:
            if _import_under_way(connection):
                return n_swept
            still = select(dog.c.id).where(dog.c.id.in_(part), *_is_blank())
            swept = list(connection.scalars(still))
            identity = tables.dog_identity
            connection.execute(delete(identity).where(identity.c.dog_id.in_(swept)))
            connection.execute(delete(dog).where(dog.c.id.in_(swept)))
            n_swept += len(swept)
    for part in batches(_ids(records, owner, _is_nobody())):
        with records.writing() as connection:
            if _import_under_way(connection):
                return n_swept
            connection.execute(delete(owner).where(owner.c.id.in_(part), *_is_nobody()))
    return n_swept


def _ids(records: Records, table: Table, where: Sequence[ColumnElement[bool]]) -> list[str]:
    with records.reading() as connection:
        return list(connection.scalars(select(table.c.id).where(*where)))


def _import_under_way(connection: Connection) -> bool:
    table = tables.imported_file
    return bool(connection.scalar(select(table.c.id).where(table.c.state == PENDING).limit(1)))


def _is_blank() -> list[ColumnElement[bool]]:
    dog = tables.dog
    empty = [dog.c[name].is_(None) for name in ("species", "breed", "birth_date", "sex")]
    named = exists().where(
        tables.dog_identity.c.dog_id == dog.c.id, tables.dog_identity.c.name.is_not(None)
    )
    users = (
        *(tables.visit, tables.therapy_event, tables.pruritus_score, tables.dog_fact),
        *(tables.dose_plan, tables.home, tables.dog_status, tables.adverse_reaction),
        *(tables.vaccination, tables.medicine, tables.allergy_test, tables.therapy_release),
        *(tables.plan_decision, tables.handover, tables.response_trial),
        *(tables.dog_vet, tables.vets_word, tables.desk_entry, tables.entry_taken_back),
    )
    unused = [~exists().where(table.c.dog_id == dog.c.id) for table in users]
    registered = exists().where(tables.owner.c.id == dog.c.owner_id, *_has_name())
    return [*empty, dog.c.branch_id.is_(None), ~named, ~registered, *unused]


def _is_nobody() -> list[ColumnElement[bool]]:
    owner = tables.owner
    users = (tables.dog, tables.owner_status, tables.consent)
    return [
        owner.c.name.is_(None),
        owner.c.contact.is_(None),
        *(~exists().where(table.c.owner_id == owner.c.id) for table in users),
    ]


def _has_name() -> list[ColumnElement[bool]]:
    return [tables.owner.c.name.is_not(None) | tables.owner.c.contact.is_not(None)]
