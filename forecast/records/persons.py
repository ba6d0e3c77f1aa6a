"""One owner with the owner's dogs: all that is held on them, and taking it away.

What stays after an erasure knows a dog by its random id alone: visits without their notes, counts,
therapies, reactions without words, plans, and a row that says when an erasure of how many dogs was
done.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, Table, delete, insert, select, update

from forecast.records import tables
from forecast.records.bulk import batches
from forecast.records.engine import Records, RecordsError

# What somebody wrote of a dog in words, beside the notes of visits.
_IN_WORDS: dict[Table, tuple[str, ...]] = {
    tables.adverse_reaction: ("sign",),
    tables.therapy_release: ("reason",),
    tables.plan_decision: ("reason",),
    tables.vets_word: ("reason",),
    tables.entry_taken_back: ("in_words", "reason"),
}


@dataclass(frozen=True)
class Person:
    """An owner, by random id and number, and the owner's dogs: random id to number and name.

    `owner_id` is empty for dogs without an owner. Names stay out of `repr`.
    """

    owner_id: str | None
    reference: str = field(repr=False)
    names: tuple[str, ...] = field(repr=False)
    dogs: Mapping[str, tuple[str, str | None]] = field(repr=False)

    @property
    def dog_numbers(self) -> dict[str, str]:
        """The random id of each dog by its number."""
        return {number: dog_id for dog_id, (number, _) in self.dogs.items()}


def person(records: Records, number: str) -> Person:
    """Return an owner by the practice's own number, with all dogs.

    Raises
    ------
    RecordsError
        If no owner on record has that number.
    """
    table = tables.owner
    with records.reading() as connection:
        row = connection.execute(select(table).where(table.c.reference == number)).first()
        if row is None:
            known = [one for one in connection.scalars(select(table.c.reference)) if one]
            near = difflib.get_close_matches(number, known, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise RecordsError(
                f"the owner {number!r} was asked for, who is not on record{hint}; owners are asked "
                "for by the practice's own number"
            )
        return _person(connection, row._mapping)


def _person(connection: Connection, row: RowMapping) -> Person:
    identity, dog = tables.dog_identity, tables.dog
    query = select(identity.c.dog_id, identity.c.reference, identity.c.name).join(dog)
    own = connection.execute(
        query.where(dog.c.owner_id == row["id"]).order_by(identity.c.reference)
    )
    names = tuple(text for text in (row["name"], row["contact"]) if text)
    dogs = {dog_id: (reference, name) for dog_id, reference, name in own}
    return Person(row["id"], row["reference"] or "", names, dogs)


def persons_of(
    records: Records, *, is_owner: Callable[[str], bool], is_dog: Callable[[str], bool]
) -> list[Person]:
    """Return the owners whose number answers to `is_owner`, and dogs that answer to `is_dog`."""
    owner, identity = tables.owner, tables.dog_identity
    with records.reading() as connection:
        owners = connection.execute(select(owner)).all()
        found = [_person(connection, row._mapping) for row in owners if is_owner(row.reference)]
        taken = {dog_id for one in found for dog_id in one.dogs}
        rest = {
            row.dog_id: (row.reference, row.name)
            for row in connection.execute(select(identity)).all()
            if row.dog_id not in taken and is_dog(row.reference)
        }
    return [*found, *([Person(None, "", (), rest)] if rest else [])]


def references_of(records: Records, one: Person) -> list[str]:
    """Return the references of all visits of somebody's dogs, seen or not."""
    visit, found = tables.visit, list[str]()
    with records.reading() as connection:
        for part in batches(list(one.dogs)):
            own = select(visit.c.reference).where(visit.c.dog_id.in_(part))
            found += connection.scalars(own.order_by(visit.c.id))
    return found


def erase_person(
    records: Records, one: Person, *, erasure: str, at: datetime, renamed: Mapping[str, str]
) -> None:
    """Take away who an owner and the owner's dogs are, and the notes on them, all at once.

    References of visits may hold a patient's number, so `renamed` gives what stands in their place.
    """
    visit, identity = tables.visit, tables.dog_identity
    with records.writing() as connection:
        for part in batches(list(one.dogs)):
            own = select(visit.c.id, visit.c.reference).where(visit.c.dog_id.in_(part))
            for row in connection.execute(own).all():
                values = {"reference": renamed[row.reference], "note": None}
                connection.execute(update(visit).where(visit.c.id == row.id).values(values))
            for table, words in _IN_WORDS.items():
                emptied = update(table).where(table.c.dog_id.in_(part))
                connection.execute(emptied.values(dict.fromkeys(words)))
            connection.execute(delete(identity).where(identity.c.dog_id.in_(part)))
        _rename_files(connection, one.names)
        if one.owner_id is not None:
            _forget_addresses(connection, one.owner_id)
            connection.execute(delete(tables.owner).where(tables.owner.c.id == one.owner_id))
        there = select(tables.erasure.c.id).where(tables.erasure.c.id == erasure)
        if connection.scalar(there) is None:
            audit = {"id": erasure, "at": at, "dogs": len(one.dogs)}
            connection.execute(insert(tables.erasure), audit)


def _forget_addresses(connection: Connection, owner_id: str) -> None:
    """Take away what could tell the address of an owner from another: keyed hashes of it."""
    message, stop = tables.alert_message, tables.alert_stop
    own = update(message).where(message.c.owner_id == owner_id)
    connection.execute(own.values(address_key=None))
    connection.execute(delete(stop).where(stop.c.owner_id == owner_id))


def _rename_files(connection: Connection, names: Sequence[str]) -> None:
    """Take names out of what imported files were called."""
    table = tables.imported_file
    for row in connection.execute(select(table.c.id, table.c.file_name)).all():
        if any(name.casefold() in row.file_name.casefold() for name in names):
            change = update(table).where(table.c.id == row.id)
            connection.execute(change.values(file_name="(a name, erased)"))


def erasures(records: Records) -> set[str]:
    """Return the ids of the erasures that the records know of."""
    with records.reading() as connection:
        return set(connection.scalars(select(tables.erasure.c.id)))


def record_erasure(records: Records, erasure: str, *, at: datetime) -> None:
    """Write down an erasure of which these records held nothing any more."""
    with records.writing() as connection:
        connection.execute(insert(tables.erasure), {"id": erasure, "at": at, "dogs": 0})


def holdings(records: Records, one: Person) -> dict[str, Any]:
    """Return all rows on an owner and the owner's dogs, as plain values, by what they are."""
    with records.reading() as connection:
        found: dict[str, Any] = {
            "owner": _rows(connection, tables.owner, "id", [one.owner_id]),
            "owner statuses": _rows(connection, tables.owner_status, "owner_id", [one.owner_id]),
            "consent": _rows(connection, tables.consent, "owner_id", [one.owner_id]),
            "messages": _rows(connection, tables.alert_message, "owner_id", [one.owner_id]),
            "stops": _rows(connection, tables.alert_stop, "owner_id", [one.owner_id]),
            # by owner, not by dog: what went to who owned it before is not theirs
            "handed over": _rows(connection, tables.handover, "owner_id", [one.owner_id]),
            "dogs": [_dog(connection, dog_id) for dog_id in one.dogs],
        }
    return found


def _dog(connection: Connection, dog_id: str) -> dict[str, Any]:
    visits = _rows(connection, tables.visit, "dog_id", [dog_id])
    plans = _rows(connection, tables.dose_plan, "dog_id", [dog_id])
    for visit in visits:
        visit["verdicts"] = _rows(connection, tables.visit_case, "visit_id", [visit["id"]])
    for plan in plans:
        plan["doses"] = _rows(connection, tables.dose, "plan_id", [plan["id"]])
        plan["decisions"] = _rows(connection, tables.plan_decision, "plan_id", [plan["id"]])
    by_dog = {
        "identity": tables.dog_identity,
        "homes": tables.home,
        "statuses": tables.dog_status,
        "therapies": tables.therapy_event,
        "itch scores": tables.pruritus_score,
        "facts": tables.dog_fact,
        "adverse reactions": tables.adverse_reaction,
        "therapies released": tables.therapy_release,
        "words on a longer effect": tables.vets_word,
        "vaccinations": tables.vaccination,
        "other medicines": tables.medicine,
        "allergy tests": tables.allergy_test,
        "response trials": tables.response_trial,
        "entered at a desk": tables.desk_entry,
        "taken back": tables.entry_taken_back,
    }
    told = {name: _rows(connection, table, "dog_id", [dog_id]) for name, table in by_dog.items()}
    told["vets"] = _rows(connection, tables.dog_vet, "dog_id", [dog_id])
    for row in told["vets"]:
        row["vet"] = _rows(connection, tables.vet, "id", [row["vet_id"]])
    dog = _rows(connection, tables.dog, "id", [dog_id])
    return {"dog": dog, **told, "visits": visits, "plans": plans}


def _rows(
    connection: Connection, table: Table, column: str, values: list[Any]
) -> list[dict[str, Any]]:
    rows = connection.execute(select(table).where(table.c[column].in_(values)))
    return [json.loads(json.dumps(dict(row._mapping), default=str)) for row in rows]


def forget_notes(records: Records, *, before: date) -> int:
    """Take the notes of visits before a day away, in batches; return how many.

    An empty note stays: it says that there was none. Words on reactions, releases, plans and of
    entries taken back go too.
    """
    visit = tables.visit
    due = select(visit.c.id).where(visit.c.date < before, visit.c.note != "")
    with records.reading() as connection:
        ids = list(connection.scalars(due))
    for part in batches(ids):
        with records.writing() as connection:
            connection.execute(update(visit).where(visit.c.id.in_(part)).values(note=None))
    with records.writing() as connection:
        for table, words in _IN_WORDS.items():
            old = table.c.date < before
            connection.execute(update(table).where(old).values(dict.fromkeys(words)))
    return len(ids)
