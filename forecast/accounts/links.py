"""One-time links: the way in for whoever was invited, or has lost the password.

A link is shown once to whoever made it and handed over by hand; only its hash is kept. A newer link
of an account takes the place of an older one. There is never a default password: where nobody can
invite, starting the service shows a link for the first administrator.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from sqlalchemy import Connection, delete, select, update

from forecast.accounts import people
from forecast.accounts.audit import Action, note
from forecast.accounts.limits import span
from forecast.accounts.passwords import check_password, hash_password
from forecast.accounts.people import AccountError
from forecast.accounts.person import Account
from forecast.accounts.roles import Role
from forecast.accounts.sessions import begin, end_all
from forecast.accounts.tokens import fingerprint, new_token
from forecast.records import account_tables as tables
from forecast.records.engine import Records
from forecast.records.identifiers import new_id

Purpose = Literal["invitation", "new password"]
PATH = "/invitation/"  # of the page at which a link ends
_NO_LINK = (
    "this link is not good any more: it was used, has expired, or a newer one was made; ask an "
    "administrator of the practice for a new one"
)


@dataclass(frozen=True)
class Link:
    """A one-time link: for whom, what its address ends with, until when."""

    account: Account
    token: str
    expires_at: datetime

    @property
    def path(self) -> str:
        """The part of the address behind the host's name; a secret."""
        return f"{PATH}{self.token}"


def invite(
    records: Records,
    *,
    name: str,
    email: str,
    role: Role,
    branches: Sequence[str] = (),
    until: date | None = None,
    by: str | None,
    now: datetime,
) -> Link:
    """Make an account and the link by which its owner sets a password."""
    with records.writing() as connection:
        account_id = people.add(connection, role=role, branches=branches, until=until, now=now)
        people.name_account(connection, account_id, name=name, email=email)
        note(connection, Action.INVITED, by=by, subject=account_id, now=now)
        return _link(connection, account_id, "invitation", now)


def new_link(
    records: Records,
    account_id: str,
    *,
    without_second_factor: bool = False,
    by: str | None,
    now: datetime,
) -> Link:
    """Make a link for a new password; the old one holds until it is used.

    Parameters
    ----------
    without_second_factor
        Also switch the second factor off, for whoever has lost it and the recovery codes.
    """
    with records.writing() as connection:
        held = people.read(connection, account_id)
        if held is None or not held.is_active:
            raise AccountError(
                "a link was asked for an account that is not active; activate the account first"
            )
        if without_second_factor and held.has_second_factor:
            drop_second_factor(connection, account_id, by=by, now=now)
        note(connection, Action.LINK_MADE, by=by, subject=account_id, now=now)
        return _link(
            connection, account_id, "new password" if held.has_password else "invitation", now
        )


def first_link(records: Records, *, now: datetime) -> Link | None:
    """Return a link for a first administrator where there is none who has come; else None.

    Each start makes a new one, and the one before it is void.
    """
    table = tables.account
    with records.writing() as connection:
        if people.has_administrator(connection, now.date()):
            return None
        nobody = (
            select(table.c.id)
            .outerjoin(tables.account_identity)
            .where(table.c.role == Role.ADMINISTRATOR.value, table.c.is_active.is_(True))
            .where(table.c.password_hash.is_(None), tables.account_identity.c.name.is_(None))
            .where(table.c.until.is_(None))
        )
        account_id = connection.scalar(nobody)
        if account_id is None:
            account_id = people.add(connection, role=Role.ADMINISTRATOR, now=now)
        note(connection, Action.INVITED, by=None, subject=account_id, now=now)
        return _link(connection, account_id, "invitation", now)


def _link(connection: Connection, account_id: str, purpose: Purpose, now: datetime) -> Link:
    table, token = tables.account_link, new_token()
    connection.execute(delete(table).where(table.c.account_id == account_id))
    expires_at = now + span("link.invitation" if purpose == "invitation" else "link.new_password")
    values = {
        "id": new_id(),
        "account_id": account_id,
        "token_sha256": fingerprint(token),
        "purpose": purpose,
        "made_at": now,
        "expires_at": expires_at,
    }
    connection.execute(table.insert().values(values))
    held = people.read(connection, account_id)
    assert held is not None
    return Link(held, token, expires_at)


def account_of_link(records: Records, token: str, *, today: date, now: datetime) -> Account:
    """Return for whom a link is; looking at it does not use it up."""
    with records.reading() as connection:
        return _open(connection, token, today, now)


def use_link(
    records: Records,
    token: str,
    password: str,
    *,
    name: str = "",
    email: str = "",
    known: Sequence[str] = (),
    today: date,
    now: datetime,
) -> str:
    """Set a password by a link and sign in; return the token of the new session.

    All other sessions of the account end. Where it has a second factor, that is still owed.

    Parameters
    ----------
    name, email
        Who it is, for an account that nobody has taken up yet.
    known
        What a password must not consist of, beside name and mail address.
    """
    held = account_of_link(records, token, today=today, now=now)
    check_password(password, known=[held.name or name, held.email or email, *known])
    kept = hash_password(password)
    table, links = tables.account, tables.account_link
    with records.writing() as connection:
        held = _open(connection, token, today, now)
        if not held.email:
            people.name_account(connection, held.id, name=name, email=email)
        values = {"password_hash": kept, "password_set_at": now}
        connection.execute(update(table).where(table.c.id == held.id).values(values))
        used = update(links).where(links.c.token_sha256 == fingerprint(token))
        connection.execute(used.values(used_at=now))
        end_all(connection, held.id)
        note(connection, Action.LINK_USED, by=held.id, subject=held.id, now=now)
        return begin(connection, held.id, is_whole=not held.has_second_factor, now=now)


def drop_second_factor(
    connection: Connection, account_id: str, *, by: str | None, now: datetime
) -> None:
    """Switch the second factor of an account off, and its recovery codes."""
    table, codes = tables.account, tables.recovery_code
    values = {"totp_secret": None, "totp_step": None}
    connection.execute(update(table).where(table.c.id == account_id).values(values))
    connection.execute(delete(codes).where(codes.c.account_id == account_id))
    note(connection, Action.SECOND_FACTOR_OFF, by=by, subject=account_id, now=now)


def _open(connection: Connection, token: str, today: date, now: datetime) -> Account:
    table = tables.account_link
    row = connection.execute(
        select(table).where(table.c.token_sha256 == fingerprint(token))
    ).first()
    if row is None or row.used_at is not None or now >= row.expires_at:
        raise AccountError(_NO_LINK)
    held = people.read(connection, row.account_id)
    if held is None or held.standing(today) in ("ended", "deactivated"):
        raise AccountError(_NO_LINK)
    return held
