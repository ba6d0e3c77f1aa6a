"""The whole application on a small practice, and browsers with somebody at them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from argon2 import PasswordHasher
from sqlalchemy import insert
from starlette.applications import Starlette
from starlette.testclient import TestClient

from forecast.accounts import passwords, people, sessions
from forecast.accounts.person import Account
from forecast.accounts.roles import Role
from forecast.pages.all_pages import all_pages
from forecast.pages.door import Door
from forecast.pages.opened import OpenedPractice
from forecast.pages.outside import Outside
from forecast.pages.serving import build_app
from forecast.practice import create_practice
from forecast.records.account_tables import account
from forecast.records.tables import branch

ADDRESS = "http://127.0.0.1:8400"
PASSWORD = "plum tractor violin"
Browser = Callable[..., TestClient]


@dataclass
class Moment:
    """The moment at which the service believes to be; it stands still until moved."""

    now: datetime = datetime(2023, 3, 1, 1, 0, tzinfo=UTC)  # ten in the morning in Seoul

    def pass_by(self, **span: float) -> None:
        """Let some time pass."""
        self.now += timedelta(**span)


@pytest.fixture(autouse=True)
def _quick_passwords(monkeypatch):
    """Work on passwords as little as Argon2 allows; a test of its own looks at the numbers."""
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(passwords, "_hasher", lambda: quick)
    passwords._of_nobody.cache_clear()


@pytest.fixture
def moment() -> Moment:
    return Moment()


@pytest.fixture
def opened(tmp_path, small_settings, moment) -> Iterator[OpenedPractice]:
    """Give an open practice of two regions with a branch in each, without any data."""
    create_practice(tmp_path / "practice", small_settings, now=moment.now)
    held = OpenedPractice(tmp_path / "practice", now=lambda: moment.now)
    with held.records.writing() as connection:
        for place in ("north", "south"):
            row = {"id": f"at-{place}", "name": place, "region_id": place, "open_days": "mon"}
            connection.execute(insert(branch).values(row))
    yield held
    held.close()


@pytest.fixture
def app(opened) -> Starlette:
    """Give the application with every page there is."""
    return build_app(opened, all_pages(), door=Door(), outside=Outside())


@pytest.fixture
def make_account(opened, moment) -> Callable[..., Account]:
    """Give what makes an account with `PASSWORD`, without its invitation."""

    def make(name: str, role: Role, *, branches=(), until: date | None = None) -> Account:
        with opened.records.writing() as connection:
            given = {"role": role, "branches": branches, "until": until, "now": moment.now}
            made = people.add(connection, **given)
            people.name_account(connection, made, name=name, email=f"{name}@practice.example")
            kept = account.update().where(account.c.id == made)
            connection.execute(kept.values(password_hash=passwords.hash_password(PASSWORD)))
        return people.account(opened.records, made)

    return make


@pytest.fixture(scope="session")
def portal() -> Iterator[BlockingPortal]:
    """Run one event loop for all browsers; a client would begin one for every request."""
    with start_blocking_portal() as one:
        yield one


@pytest.fixture
def browser(app, portal) -> Browser:
    """Give what makes a browser; it sends what browsers send, unless told otherwise."""

    def make(token: str | None = None, *, origin: str | None = ADDRESS, **more) -> TestClient:
        sent = {} if origin is None else {"origin": origin}
        made = TestClient(app, base_url=ADDRESS, headers=sent | more, follow_redirects=False)
        made.portal = portal
        if token is not None:
            made.cookies.set("forepaw-session", token, domain="127.0.0.1")
        return made

    return make


@pytest.fixture
def sit(opened, moment) -> Callable[[Account], str]:
    """Give what begins a session without signing in, and returns its token."""

    def begin(who: Account, *, is_whole: bool = True) -> str:
        with opened.records.writing() as connection:
            return sessions.begin(connection, who.id, is_whole=is_whole, now=moment.now)

    return begin
