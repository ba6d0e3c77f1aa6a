"""The one way to an owner's contact: it is written down who read it, before it is told."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import select

from forecast.accounts.audit import Action, note
from forecast.accounts.people import AccountError
from forecast.accounts.person import Account
from forecast.accounts.roles import Right
from forecast.records.engine import Records
from forecast.records.tables import owner


@dataclass(frozen=True)
class OwnerContact:
    """Who an owner is and how they are reached; empty where it is not known."""

    owner_id: str
    name: str = field(repr=False)
    contact: str = field(repr=False)


def read_contact(
    records: Records, owner_id: str, *, by: Account, now: datetime
) -> OwnerContact | None:
    """Return an owner's contact, None where there is no such owner; the audit tells of it.

    Raises
    ------
    AccountError
        If the role of whoever asks does not carry that right; that is not written down.
    """
    return read_contacts(records, [owner_id], by=by, now=now).get(owner_id)


def read_contacts(
    records: Records, owner_ids: Collection[str], *, by: Account | None, now: datetime
) -> dict[str, OwnerContact]:
    """Return the contacts of several owners by id; the audit has an entry for each of them.

    `by` is None for the command line, whose user holds the records themselves.

    Raises
    ------
    AccountError
        If the role of whoever asks does not carry that right; that is not written down.
    """
    if by is not None:
        _check(by)
    found = {}
    with records.writing() as connection:
        for owner_id in sorted(owner_ids):
            note(
                connection,
                Action.CONTACT_READ,
                by=None if by is None else by.id,
                subject=owner_id,
                now=now,
            )
            query = select(owner.c.name, owner.c.contact).where(owner.c.id == owner_id)
            row = connection.execute(query).first()
            if row is not None:
                found[owner_id] = OwnerContact(owner_id, row.name or "", row.contact or "")
    return found


def _check(by: Account) -> None:
    if not by.may(Right.SEE_CONTACTS):
        raise AccountError(
            f"an owner's contact was asked for; to {Right.SEE_CONTACTS.value} is not part of the "
            f"role {by.role.value}"
        )
