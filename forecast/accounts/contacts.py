"""The one way to an owner's contact: it is written down who read it, before it is told."""

from __future__ import annotations

from dataclasses import dataclass
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
    name: str
    contact: str


def read_contact(
    records: Records, owner_id: str, *, by: Account, now: datetime
) -> OwnerContact | None:
    """Return an owner's contact, None where there is no such owner; the audit tells of it.

    Raises
    ------
    AccountError
        If the role of whoever asks does not carry that right; that is not written down.
    """
    if not by.may(Right.SEE_CONTACTS):
        raise AccountError(
            f"an owner's contact was asked for; to {Right.SEE_CONTACTS.value} is not part of the "
            f"role {by.role.value}"
        )
    query = select(owner.c.name, owner.c.contact).where(owner.c.id == owner_id)
    with records.writing() as connection:
        note(connection, Action.CONTACT_READ, by=by.id, subject=owner_id, now=now)
        row = connection.execute(query).first()
    return None if row is None else OwnerContact(owner_id, row.name or "", row.contact or "")
