"""A clock, a local server, and a session between them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fake_clock import FakeClock
from local_server import LocalServer
from pull_world import World, make_practice, make_world

from jobs.sources import planning
from jobs.sources.limits import RateLimits
from jobs.sources.raw_archive import RawArchive
from jobs.sources.session import Session
from jobs.sources.source import Source
from models.parameters import Parameter, ParameterTable, load_table


def changed_manners(**numbers: float) -> ParameterTable:
    """Return ``manners.toml`` with other numbers, named as in it with __ for the dot."""
    table = load_table("jobs.sources", "manners.toml")
    parameters: dict[str, Parameter] = dict(table.parameters)
    for name, number in numbers.items():
        key = name.replace("__", ".")
        parameters[key] = replace(parameters[key], value=number)
    return replace(table, parameters=parameters)


@pytest.fixture
def manners() -> Callable[..., ParameterTable]:
    """Give the maker of changed manners."""
    return changed_manners


@pytest.fixture
def clock() -> FakeClock:
    """Give a clock at 08:00:30 UTC on 10 June 2026."""
    return FakeClock()


@pytest.fixture
def server() -> Iterator[LocalServer]:
    """Give a local server without routes."""
    with LocalServer() as running:
        yield running


@pytest.fixture
def archive(tmp_path: Path) -> RawArchive:
    """Give an empty archive of replies."""
    return RawArchive(tmp_path / "replies")


@pytest.fixture
def make_session(
    clock: FakeClock, archive: RawArchive, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[..., Session]]:
    """Give the maker of sessions with the source given, on the fake clock."""
    for name in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.lower(), raising=False)
    made: list[Session] = []

    def make(source: Source, **options: Any) -> Session:
        given: dict[str, Any] = {
            "archive": archive,
            "limits": RateLimits(None, clock=clock.clock),
            "clock": clock.clock,
            "rng": random.Random(1),
            "contact": "vet@practice.example",
        }
        made.append(Session({source.id: source}, **given | options))
        return made[-1]

    yield make
    for session in made:
        session.close()


@pytest.fixture(scope="session")
def made_practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a small practice with empty stores, not to be changed."""
    return make_practice(tmp_path_factory.mktemp("made") / "practice")


@pytest.fixture
def world(tmp_path: Path, made_practice: Path, server: LocalServer, clock: FakeClock) -> World:
    """Give a small practice that pulls from the local server."""
    return make_world(tmp_path / "practice", made_practice, server, clock)


@pytest.fixture
def three_years(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a first pull go back three years in place of twenty, where no more is needed."""
    table = load_table("jobs.sources", "pull.toml")
    years = replace(table.parameters["backfill.years"], value=3)
    fewer = replace(table, parameters={**table.parameters, "backfill.years": years})
    monkeypatch.setattr(planning, "load_table", lambda *_: fewer)
