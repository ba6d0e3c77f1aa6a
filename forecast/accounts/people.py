"""The accounts themselves: read, made, changed, ended; the audit tells of every change."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, delete, func, select, update

from forecast.accounts.audit import Action, note
from forecast.accounts.person import Account
from forecast.accounts.roles import Role
from forecast.accounts.sessions import end_all
from forecast.records import account_tables as tables
from forecast.records.engine import Records
from forecast.records.identifiers import new_id
from forecast.records.tables import branch
from forecast.records.vets import forget_vet_of
from models.errors import ForepawError

_LONGEST = 200


class AccountError(ForepawError):
    """An account cannot be had, made or changed as it was asked."""


def email_key(email: str) -> str:
    """Return a mail address as addresses are compared here: case does not count.

    What no address holds and no database takes, such as control characters, is left out.
    """
    folded = unicodedata.normalize("NFKC", email).strip().casefold()
    return "".join(letter for letter in folded if letter.isprintable())


# ----------------------------------------------------------------------------------------- reading
def read(connection: Connection, account_id: str) -> Account | None:
    """Return one account within a transaction."""
    found = _read(connection, tables.account.c.id == account_id)
    return found[0] if found else None


def account(records: Records, account_id: str) -> Account:
    """Return one account."""
    with records.reading() as connection:
        return _held(connection, account_id)


def accounts(records: Records) -> list[Account]:
    """Return all accounts, by name."""
    with records.reading() as connection:
        return sorted(_read(connection), key=lambda one: (one.name.casefold(), one.id))


def by_email(records: Records, email: str) -> Account:
    """Return the account of a mail address."""
    with records.reading() as connection:
        found = _by_email(connection, email)
    if found is None:
        raise AccountError(
            f"an account of {email.strip()!r} was asked for; nobody here has that mail address"
        )
    return found


def _read(connection: Connection, *conditions: Any) -> list[Account]:
    table, who, where = tables.account, tables.account_identity, tables.account_branch
    query = (
        select(table, who.c.name, who.c.email)
        .outerjoin(who, who.c.account_id == table.c.id)
        .where(*conditions)
    )
    rows = connection.execute(query).all()
    chosen = select(where).where(where.c.account_id.in_([row.id for row in rows]))
    branches: dict[str, list[str]] = {}
    for one in connection.execute(chosen.order_by(where.c.branch_id)):
        branches.setdefault(one.account_id, []).append(one.branch_id)
    return [
        Account(
            id=row.id,
            name=row.name or "",
            email=row.email or "",
            role=Role(row.role),
            branches=tuple(branches.get(row.id, ())),
            until=row.until,
            is_active=row.is_active,
            has_second_factor=row.totp_secret is not None,
            has_password=row.password_hash is not None,
        )
        for row in rows
    ]


def _held(connection: Connection, account_id: str) -> Account:
    found = read(connection, account_id)
    if found is None:
        raise AccountError(f"the account {account_id!r} was asked for; there is no such account")
    return found


def _by_email(connection: Connection, email: str) -> Account | None:
    found = _read(connection, tables.account_identity.c.email_key == email_key(email))
    return found[0] if found else None


# ---------------------------------------------------------------------------------------- changing
def add(
    connection: Connection,
    *,
    role: Role,
    branches: Sequence[str] = (),
    until: date | None = None,
    now: datetime,
) -> str:
    """Make an account without a name and a password; return its id."""
    made = new_id()
    values = {"id": made, "role": role.value, "is_active": True, "until": until, "made_at": now}
    connection.execute(tables.account.insert().values(values))
    _set_branches(connection, made, branches)
    return made


def name_account(connection: Connection, account_id: str, *, name: str, email: str) -> None:
    """Say who an account is."""
    name, email = " ".join(name.split()), email.strip()
    if not name or len(name) > _LONGEST or not name.isprintable():
        raise AccountError(f"a name was asked for; it must have 1 to {_LONGEST} characters")
    _check_email(email)
    other = _by_email(connection, email)
    if other is not None and other.id != account_id:
        raise AccountError(
            f"an account for {email} was asked for; there is one with that mail address already, "
            "so change that one or name another address"
        )
    table = tables.account_identity
    values = {"name": name, "email": email, "email_key": email_key(email)}
    change = update(table).where(table.c.account_id == account_id).values(values)
    if connection.execute(change).rowcount == 0:
        connection.execute(table.insert().values(account_id=account_id, **values))


def change(
    records: Records,
    account_id: str,
    *,
    role: Role,
    branches: Sequence[str],
    until: date | None,
    by: str | None,
    now: datetime,
) -> Account:
    """Give an account another role, other branches, another end; its sessions end.

    Whoever it is signs in again and then has what was given, neither more nor less.
    """
    table = tables.account
    with records.writing() as connection:
        before = _held(connection, account_id)
        if (before.role, before.branches, before.until) == (role, tuple(sorted(branches)), until):
            return before
        had = has_administrator(connection, now.date())
        values = {"role": role.value, "until": until}
        connection.execute(update(table).where(table.c.id == account_id).values(values))
        _set_branches(connection, account_id, branches)
        _keep_an_administrator(connection, had, now.date())
        end_all(connection, account_id)
        note(connection, Action.CHANGED, by=by, subject=account_id, now=now)
        return _held(connection, account_id)


def set_active(
    records: Records, account_id: str, is_active: bool, *, by: str | None, now: datetime
) -> None:
    """Deactivate an account, which ends its sessions and links, or make it active again."""
    table, links = tables.account, tables.account_link
    with records.writing() as connection:
        if _held(connection, account_id).is_active == is_active:
            return
        had = has_administrator(connection, now.date())
        values = {"is_active": is_active}
        connection.execute(update(table).where(table.c.id == account_id).values(values))
        _keep_an_administrator(connection, had, now.date())
        if not is_active:
            end_all(connection, account_id)
            connection.execute(delete(links).where(links.c.account_id == account_id))
        action = Action.ACTIVATED if is_active else Action.DEACTIVATED
        note(connection, action, by=by, subject=account_id, now=now)


def forget(records: Records, account_id: str, *, by: str | None, now: datetime) -> None:
    """Erase who a deactivated account was; what it did stays in the audit under its random id."""
    who = tables.account_identity
    with records.writing() as connection:
        if _held(connection, account_id).is_active:
            raise AccountError(
                "the name of an account was to be erased, and it is still active; deactivate it "
                "first"
            )
        connection.execute(delete(who).where(who.c.account_id == account_id))
        forget_vet_of(connection, account_id)
        note(connection, Action.FORGOTTEN, by=by, subject=account_id, now=now)


def _set_branches(connection: Connection, account_id: str, branches: Sequence[str]) -> None:
    table = tables.account_branch
    held = set(connection.scalars(select(branch.c.id)))
    strange = sorted(set(branches) - held)
    if strange:
        there = ", ".join(sorted(held)) or "none yet, as branches come with the visits"
        raise AccountError(
            f"an account for the branch {strange[0]!r} was asked for; the branches are: {there}"
        )
    connection.execute(delete(table).where(table.c.account_id == account_id))
    for one in sorted(set(branches)):
        connection.execute(table.insert().values(account_id=account_id, branch_id=one))


def _keep_an_administrator(connection: Connection, had: bool, today: date) -> None:
    if had and not has_administrator(connection, today):
        raise AccountError(
            "nobody would be left who may invite people: give somebody else the role of "
            "administrator first"
        )


def has_administrator(connection: Connection, today: date) -> bool:
    """Whether somebody who has come before may sign in as administrator."""
    table = tables.account
    there = select(func.count()).where(
        table.c.role == Role.ADMINISTRATOR.value,
        table.c.is_active.is_(True),
        table.c.password_hash.is_not(None),
        table.c.until.is_(None) | (table.c.until >= today),
    )
    return bool(connection.scalar(there))


def _check_email(email: str) -> None:
    local, at, host = email.partition("@")
    fits = local and at and "." in host.strip(".") and "@" not in host
    if not fits or len(email) > _LONGEST or not email.isprintable() or " " in email:
        raise AccountError(
            f"the mail address {email[:_LONGEST]!r} was given; one looks like name@practice.example"
        )
