"""Whether anything may go out for a dog: who it is, its status, its owner's status and consent.

Asked when a letter, calendar or recall is made, and again in the transaction that hands it over.
What is not known keeps the gate shut, but for an owner's status: an owner who agreed to be written
to, of a dog that is active, is there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from sqlalchemy import Connection, select

from forecast.records import tables
from forecast.records.dated import (
    ACTIVE,
    STATUS_NOT_KNOWN,
    consents_on,
    dog_statuses_on,
    owner_statuses_on,
)
from models.errors import ForepawError

NOT_KNOWN, YES, NO = "not known", "yes", "no"
_DEAD = "dead"
_GONE_OWNER = (_DEAD, "moved", "left")


class LetterError(ForepawError):
    """A letter, calendar or recall cannot go out."""


@dataclass(frozen=True)
class Gate:
    """What is known of a dog and its owner, as far as it bears on writing to them.

    Attributes
    ----------
    dog_id
        The random id of the dog.
    is_named
        Whether the dog is still on record by number; one that was erased is not.
    status, owner_status, consent
        Words of the records; "not known" where nothing is on record.
    owner_id, number
        The random id of the owner, None where there is none; the dog's number, "" once erased.
    language
        In which the owner is written to (ISO 639-1); None where it is not known.
    name
        The dog's name; it stays out of `repr`.
    """

    dog_id: str
    status: str
    owner_status: str
    consent: str
    owner_id: str | None
    language: str | None
    number: str = field(repr=False)
    name: str = field(repr=False)

    @property
    def is_named(self) -> bool:
        """Whether the dog is still on record by its number."""
        return bool(self.number)

    @property
    def closed_because(self) -> str:
        """Why nothing may go out; "" where it may."""
        if not self.is_named:
            return "who the dog is was erased"
        if self.status != ACTIVE:
            known = "is not on record" if self.status == STATUS_NOT_KNOWN else f"is {self.status!r}"
            return f"the dog's status {known}; only of an active dog is anything sent"
        if self.owner_id is None:
            return "no owner is on record"
        if self.owner_status in _GONE_OWNER:
            return f"the owner's status is {self.owner_status!r}"
        if self.consent == NO:
            return "the owner does not wish to be written to"
        if self.consent != YES:
            return "whether the owner agrees to be written to is not on record; ask, and record it"
        return ""

    @property
    def is_open(self) -> bool:
        """Whether letters, calendars and recalls may go out."""
        return not self.closed_because

    def check(self, what: str) -> None:
        """Refuse where nothing may go out.

        Raises
        ------
        LetterError
            It says what was asked for, and why it cannot be.
        """
        if not self.is_open:
            of = f"dog {self.number}" if self.number else "a dog"
            raise LetterError(f"{what} was asked for {of}; {self.closed_because}")


def gate_of(connection: Connection, dog_id: str, *, on: date) -> Gate:
    """Return the gate of one dog as of a day.

    Raises
    ------
    LetterError
        If the records hold no such dog.
    """
    found = _gates(connection, on, dog_id)
    if not found:
        raise LetterError(f"a letter was asked for dog {dog_id!r}; the records hold no such id")
    return found[dog_id]


def gates(connection: Connection, *, on: date) -> dict[str, Gate]:
    """Return the gate of every dog as of a day, by its random id."""
    return _gates(connection, on, None)


@dataclass(frozen=True)
class OwnerBefore:
    """Somebody who has a calendar of a dog that has another owner by now."""

    owner_status: str
    consent: str

    @property
    def may_be_told(self) -> bool:
        """Whether the cancellation of that calendar may still go to them."""
        return self.consent == YES and self.owner_status != _DEAD


def owners_before(
    connection: Connection, owner_ids: Iterable[str], *, on: date
) -> dict[str, OwnerBefore]:
    """Return by id who some owners are, as of a day; those who were erased are not in it."""
    owner, wanted = tables.owner, sorted(owner_ids)
    if not wanted:
        return {}
    known = connection.scalars(select(owner.c.id).where(owner.c.id.in_(wanted))).all()
    return {
        one: OwnerBefore(
            owner_statuses_on(connection, on, owner_id=one).get(one, NOT_KNOWN),
            consents_on(connection, on, owner_id=one).get(one, NOT_KNOWN),
        )
        for one in known
    }


def _gates(connection: Connection, on: date, dog_id: str | None) -> dict[str, Gate]:
    dog, identity, owner = tables.dog, tables.dog_identity, tables.owner
    query = (
        select(
            *(dog.c.id, owner.c.id.label("owner_id"), owner.c.language),
            *(identity.c.reference, identity.c.name),
        )
        .outerjoin(identity, identity.c.dog_id == dog.c.id)
        .outerjoin(owner, owner.c.id == dog.c.owner_id)
    )
    if dog_id is not None:
        query = query.where(dog.c.id == dog_id)
    rows = connection.execute(query).all()
    owner_id = rows[0].owner_id if dog_id is not None and rows else None
    statuses = dog_statuses_on(connection, on, dog_id=dog_id)
    of_owners = owner_statuses_on(connection, on, owner_id=owner_id)
    consents = consents_on(connection, on, owner_id=owner_id)
    return {
        row.id: Gate(
            dog_id=row.id,
            status=statuses.get(row.id, STATUS_NOT_KNOWN),
            owner_status=of_owners.get(row.owner_id, NOT_KNOWN),
            consent=consents.get(row.owner_id, NOT_KNOWN),
            owner_id=row.owner_id,
            language=row.language,
            number=row.reference or "",
            name=row.name or "",
        )
        for row in rows
    }
