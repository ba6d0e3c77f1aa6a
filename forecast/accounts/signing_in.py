"""Signing in and out: a password, the second factor where there is one, and a session.

An answer tells a stranger nothing: an address that nobody has, a wrong password, an account that
was ended and one that has no password yet get the same sentence after the same work.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import Connection, delete, select, update

from forecast.accounts import people
from forecast.accounts.audit import Action, note
from forecast.accounts.limits import span
from forecast.accounts.passwords import check_password, hash_password, is_outdated, is_right
from forecast.accounts.person import Account
from forecast.accounts.second_factor import take_code
from forecast.accounts.sessions import Session, begin, end_all, find
from forecast.accounts.tokens import fingerprint, new_token
from forecast.accounts.waits import Counted, give_back, take_a_try
from forecast.records import account_tables as tables
from forecast.records.engine import Records
from models.errors import ForepawError

_NOT_RIGHT = (
    "the mail address or the password is not right, or the account is not active; an administrator "
    "of the practice can make a link for a new password"
)


class SignInError(ForepawError):
    """Somebody could not be let in; the sentence tells a stranger nothing."""


class WaitError(SignInError):
    """Too many tries: the next one has to wait."""

    def __init__(self, wait: timedelta) -> None:
        self.seconds = math.ceil(wait.total_seconds())
        minutes = math.ceil(self.seconds / 60)
        span_in_words = f"{self.seconds} s" if self.seconds < 60 else f"{minutes} min"
        super().__init__(f"there were too many tries that were not right; wait {span_in_words}")


@dataclass(frozen=True)
class SignedIn:
    """A session that has begun.

    Attributes
    ----------
    token
        What the browser is to carry as its session.
    browser
        What it is to carry as a browser known from before.
    is_whole
        False: the second factor is still owed.
    """

    token: str
    browser: str
    is_whole: bool


def sign_in(
    records: Records,
    email: str,
    password: str,
    *,
    address: str,
    browser: str | None = None,
    today: date,
    now: datetime,
) -> SignedIn:
    """Let somebody in by mail address and password.

    Parameters
    ----------
    address
        The network address that it comes from.
    browser
        What a browser known from before carries: it waits for its own failures alone, so that
        nobody can keep others out by guessing.

    Raises
    ------
    SignInError
        If they are not right; `WaitError` if there were too many tries.
    """
    key = people.email_key(email)
    with records.reading() as connection:
        account, kept = _of_email(connection, key)
        known = account is not None and _is_known(connection, account.id, browser, now)
    who = f"browser {fingerprint(browser or '')}" if known else f"email {key}"
    counted = (Counted("account", who), Counted("address", address))
    wait = take_a_try(records, counted, now=now)
    if wait:
        raise WaitError(wait)
    right = is_right(password, kept)
    renewed = hash_password(password) if right and kept and is_outdated(kept) else None
    with records.writing() as connection:
        account, still_kept = _of_email(connection, key)
        if not right or account is None or still_kept != kept:
            _write_failure(connection, account, now)
        elif account.standing(today) == "active":
            give_back(connection, counted)
            return _let_in(connection, account, renewed, browser, now)
    raise SignInError(_NOT_RIGHT)


def _let_in(
    connection: Connection,
    account: Account,
    renewed: str | None,
    browser: str | None,
    now: datetime,
) -> SignedIn:
    if renewed is not None:
        table = tables.account
        own = update(table).where(table.c.id == account.id)
        connection.execute(own.values(password_hash=renewed))
    whole = not account.has_second_factor
    if whole:
        note(connection, Action.SIGNED_IN, by=account.id, now=now)
    token = begin(connection, account.id, is_whole=whole, now=now)
    return SignedIn(token, _make_known(connection, account.id, browser, now), whole)


def give_second_factor(
    records: Records, session: Session, code: str, *, address: str, now: datetime
) -> str:
    """Complete a session by the second factor; return the token of the whole one in its place."""
    counted = (
        Counted("account", f"second factor {session.account_id}"),
        Counted("address", address),
    )
    wait = take_a_try(records, counted, now=now)
    if wait:
        raise WaitError(wait)
    table = tables.account_session
    with records.writing() as connection:
        if take_code(connection, session.account_id, code, now=now):
            give_back(connection, counted)
            connection.execute(delete(table).where(table.c.id == session.id))
            note(connection, Action.SIGNED_IN, by=session.account_id, now=now)
            return begin(connection, session.account_id, now=now)
        note(connection, Action.SECOND_FACTOR_FAILED, by=None, subject=session.account_id, now=now)
    raise SignInError(
        "the code is not right, or was used before; type the one that the authenticator shows now, "
        "or a recovery code"
    )


def sign_out(records: Records, session: Session, *, now: datetime) -> None:
    """End a session from within."""
    table = tables.account_session
    with records.writing() as connection:
        connection.execute(delete(table).where(table.c.id == session.id))
        note(connection, Action.SIGNED_OUT, by=session.account_id, now=now)


def change_password(
    records: Records,
    account: Account,
    *,
    old: str,
    new: str,
    address: str,
    known: Sequence[str] = (),
    now: datetime,
) -> str:
    """Set another password; all sessions end. Return the token of a new one."""
    confirm_password(records, account, old, address=address, now=now)
    check_password(new, known=[account.name, account.email, *known])
    kept, table = hash_password(new), tables.account
    with records.writing() as connection:
        values = {"password_hash": kept, "password_set_at": now}
        connection.execute(update(table).where(table.c.id == account.id).values(values))
        end_all(connection, account.id)
        note(connection, Action.PASSWORD_CHANGED, by=account.id, subject=account.id, now=now)
        return begin(connection, account.id, now=now)


def confirm_password(
    records: Records, account: Account, password: str, *, address: str, now: datetime
) -> None:
    """Ask whoever sits there for the password once more; wrong ones wait as at signing in."""
    counted = (
        Counted("account", f"confirm {account.id}"),
        Counted("address", address),
    )
    wait = take_a_try(records, counted, now=now)
    if wait:
        raise WaitError(wait)
    with records.reading() as connection:
        _, kept = _of_email(connection, people.email_key(account.email))
    if not is_right(password, kept):
        raise SignInError("the present password is not right; nothing was changed")
    with records.writing() as connection:
        give_back(connection, counted)


def who_sits(
    records: Records, token: str, *, today: date, now: datetime
) -> tuple[Session, Account] | None:
    """Return the session of a token and whose it is; None where nobody is let in by it.

    The account is read anew each time, so that what was taken from it is gone at once.
    """
    with records.reading() as connection:
        session = find(connection, token, now=now)
        account = people.read(connection, session.account_id) if session else None
    if session is None or account is None or account.standing(today) != "active":
        return None
    return session, account


def _of_email(connection: Connection, key: str) -> tuple[Account | None, str | None]:
    table, who = tables.account, tables.account_identity
    query = select(table.c.id, table.c.password_hash).join(who).where(who.c.email_key == key)
    row = connection.execute(query).first()
    if row is None:
        return None, None
    return people.read(connection, row.id), row.password_hash


def _write_failure(connection: Connection, account: Account | None, now: datetime) -> None:
    subject = account.id if account else None
    note(connection, Action.SIGN_IN_FAILED, by=None, subject=subject, now=now)


# ----------------------------------------------------------------------------------- known browsers
def _is_known(connection: Connection, account_id: str, browser: str | None, now: datetime) -> bool:
    if not browser:
        return False
    table = tables.known_browser
    query = select(table.c.account_id, table.c.seen_at).where(
        table.c.token_sha256 == fingerprint(browser)
    )
    row = connection.execute(query).first()
    return (
        row is not None
        and row.account_id == account_id
        and now - row.seen_at < span("browser.known_for")
    )


def _make_known(connection: Connection, account_id: str, browser: str | None, now: datetime) -> str:
    """Give a browser a new mark in place of the one it had."""
    table, token = tables.known_browser, new_token()
    connection.execute(delete(table).where(table.c.seen_at <= now - span("browser.known_for")))
    if browser:
        connection.execute(delete(table).where(table.c.token_sha256 == fingerprint(browser)))
    values = {"token_sha256": fingerprint(token), "account_id": account_id, "seen_at": now}
    connection.execute(table.insert().values(values))
    return token
