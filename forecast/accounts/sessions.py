"""Sessions: who sits at which browser. Kept here, so that each can be ended at once.

A browser carries a random token, of which only the hash is kept. A token is never taken over from a
stranger: signing in, a second factor and a new password each begin a session with a new one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, select, update

from forecast.accounts.audit import Action, note
from forecast.accounts.limits import span
from forecast.accounts.tokens import fingerprint, new_token
from forecast.records.account_tables import account_session
from forecast.records.engine import Records
from forecast.records.identifiers import new_id


@dataclass(frozen=True)
class Session:
    """One browser at which somebody has signed in; `is_whole` once nothing more is owed.

    `said` is a sentence to be shown once.
    """

    id: str
    account_id: str
    begun_at: datetime
    seen_at: datetime
    is_whole: bool
    said: str = ""

    def is_over(self, now: datetime) -> bool:
        """Whether it has expired, unused or as a whole."""
        longest = span("session.absolute" if self.is_whole else "session.second_factor_within")
        return now - self.begun_at >= longest or now - self.seen_at >= span("session.idle")


def begin(connection: Connection, account_id: str, *, is_whole: bool = True, now: datetime) -> str:
    """Begin a session; return the token that its browser is to carry."""
    token, table = new_token(), account_session
    forgotten = table.c.begun_at <= now - span("session.absolute")
    connection.execute(delete(table).where(forgotten))
    values = {
        "id": new_id(),
        "account_id": account_id,
        "token_sha256": fingerprint(token),
        "begun_at": now,
        "seen_at": now,
        "is_whole": is_whole,
    }
    connection.execute(table.insert().values(values))
    return token


def find(connection: Connection, token: str, *, now: datetime) -> Session | None:
    """Return the session of a token, unless there is none or it is over."""
    query = select(account_session).where(account_session.c.token_sha256 == fingerprint(token))
    row = connection.execute(query).first()
    if row is None:
        return None
    found = _session(row)
    return None if found.is_over(now) else found


def sessions_of(records: Records, account_id: str, *, now: datetime) -> list[Session]:
    """Return the sessions of an account that are not over, the last used first."""
    query = select(account_session).where(account_session.c.account_id == account_id)
    with records.reading() as connection:
        found = [_session(row) for row in connection.execute(query)]
    return sorted(
        (one for one in found if not one.is_over(now)), key=lambda one: one.seen_at, reverse=True
    )


def is_due_to_be_noted(session: Session, now: datetime) -> bool:
    """Whether it is time to write down that a session was seen."""
    return now - session.seen_at >= span("session.note_every")


def note_seen(records: Records, session: Session, *, now: datetime) -> None:
    """Write down that a session was seen."""
    _change(records, session.id, seen_at=now)


def note_said(records: Records, session_id: str, said: str | None) -> None:
    """Keep a sentence for the next page of a session, or take it away once it was shown."""
    _change(records, session_id, said=said)


def end(records: Records, session: Session, *, by: str, now: datetime) -> None:
    """End one session: signed out, or ended from another one."""
    own = account_session.c.id == session.id
    with records.writing() as connection:
        if connection.execute(delete(account_session).where(own)).rowcount:
            note(connection, Action.SESSION_ENDED, by=by, subject=session.id, now=now)


def end_others(records: Records, session: Session, *, now: datetime) -> None:
    """End all sessions of an account but this one."""
    with records.writing() as connection:
        if end_all(connection, session.account_id, but=[session.id]):
            by = session.account_id
            note(connection, Action.SESSION_ENDED, by=by, subject=by, now=now)


def end_all(connection: Connection, account_id: str, *, but: Sequence[str] = ()) -> int:
    """End the sessions of an account, except some by id; return how many."""
    table = account_session
    own = delete(table).where(table.c.account_id == account_id, table.c.id.not_in(but))
    return connection.execute(own).rowcount


def _change(records: Records, session_id: str, **values: object) -> None:
    own = update(account_session).where(account_session.c.id == session_id)
    with records.writing() as connection:
        connection.execute(own.values(values))


def _session(row: object) -> Session:
    held = row._mapping  # type: ignore[attr-defined]
    return Session(
        id=held["id"],
        account_id=held["account_id"],
        begun_at=held["begun_at"],
        seen_at=held["seen_at"],
        is_whole=held["is_whole"],
        said=held["said"] or "",
    )
