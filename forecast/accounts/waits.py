"""Waits after failed sign-ins: they grow, they are never for ever, and they tell nothing.

Each try is counted before the password is looked at, so that many at once gain nothing; a right one
takes its count back. What is counted is known by a hash alone: an address that nobody has waits
just like one that somebody has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from sqlalchemy import Connection, delete, select, update

from forecast.accounts.limits import count, span
from forecast.accounts.tokens import fingerprint
from forecast.records.account_tables import sign_in_wait
from forecast.records.engine import Records


@dataclass(frozen=True)
class Counted:
    """What failures are counted for: an account, or the network address that they come from."""

    kind: Literal["account", "address"]
    what: str

    @property
    def key(self) -> str:
        """What is kept of it."""
        return fingerprint(f"{self.kind}:{self.what}")


def wait_after(kind: str, n_failures: int) -> timedelta:
    """Return how long the next try has to wait after so many failures in a row."""
    beyond = n_failures - count(f"wait.{kind}.free")
    if beyond <= 0:
        return timedelta(0)
    longest = span(f"wait.{kind}.longest")
    doublings = min(beyond - 1, 30)  # more would not fit into a span of time
    wait: timedelta = span(f"wait.{kind}.first") * 2**doublings
    return min(longest, wait)


def take_a_try(records: Records, counted: Sequence[Counted], *, now: datetime) -> timedelta:
    """Count a try; return how long to wait instead where it may not be made yet."""
    with records.reading() as connection:  # who only hammers on takes no lock from anybody
        wait = _longest_wait(connection, counted, now)
    if wait:
        return wait
    with records.writing() as connection:
        wait = _longest_wait(connection, counted, now)
        if wait:
            return wait
        forgotten = sign_in_wait.c.failed_at <= now - span("wait.forgotten_after")
        connection.execute(delete(sign_in_wait).where(forgotten))
        for one in counted:
            before = _held(connection, one)
            n = 1 + (before.n_failures if before else 0)
            _write(connection, one, n, now, now + wait_after(one.kind, n))
    return timedelta(0)


def give_back(connection: Connection, counted: Sequence[Counted]) -> None:
    """Take back what a right try was counted as.

    An account's failures are forgotten with it, of an address only the one: who has an account
    could otherwise guess at others' for ever.
    """
    for one in counted:
        own = sign_in_wait.c.subject_sha256 == one.key
        before = _held(connection, one)
        if before is None:
            continue
        if one.kind == "account" or before.n_failures <= 1:
            connection.execute(delete(sign_in_wait).where(own))
        else:
            values = {"n_failures": before.n_failures - 1, "waits_until": before.failed_at}
            connection.execute(update(sign_in_wait).where(own).values(values))


def _longest_wait(connection: Connection, counted: Sequence[Counted], now: datetime) -> timedelta:
    held = [before for one in counted if (before := _held(connection, one))]
    waits: list[timedelta] = [before.waits_until - now for before in held]
    return max([timedelta(0), *waits])


def _held(connection: Connection, one: Counted) -> Any:
    query = select(sign_in_wait).where(sign_in_wait.c.subject_sha256 == one.key)
    return connection.execute(query).first()


def _write(
    connection: Connection, one: Counted, n: int, now: datetime, waits_until: datetime
) -> None:
    values = {"n_failures": n, "failed_at": now, "waits_until": waits_until}
    own = update(sign_in_wait).where(sign_in_wait.c.subject_sha256 == one.key)
    if connection.execute(own.values(values)).rowcount == 0:
        connection.execute(sign_in_wait.insert().values(subject_sha256=one.key, **values))
