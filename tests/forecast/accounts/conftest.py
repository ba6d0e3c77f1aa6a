"""Records with nobody in them yet, and people made by the shortest way."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime

import pytest
from argon2 import PasswordHasher

from forecast.accounts import passwords
from forecast.accounts.links import invite, use_link
from forecast.accounts.people import account
from forecast.accounts.person import Account
from forecast.accounts.roles import Role
from forecast.practice import create_practice, template
from forecast.records import Records, open_records

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)
TODAY = date(2024, 5, 31)
PASSWORD = "plum tractor violin"


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    """Work on passwords as little as Argon2 allows; one test looks at the real numbers."""
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(passwords, "_hasher", lambda: quick)
    passwords._of_nobody.cache_clear()


@pytest.fixture
def records(tmp_path, database) -> Iterator[Records]:
    practice = create_practice(tmp_path / "practice", template() + database, now=NOW)
    opened = open_records(practice)
    yield opened
    opened.close()


@pytest.fixture
def make_person(records) -> Callable[..., Account]:
    """Give what makes an account whose owner has come and set `PASSWORD`."""

    def make(name: str = "ann", role: Role = Role.VET, **more) -> Account:
        email = f"{name}@practice.example"
        link = invite(records, name=name, email=email, role=role, by=None, now=NOW, **more)
        use_link(records, link.token, PASSWORD, today=TODAY, now=NOW)
        return account(records, link.account.id)

    return make
