"""Every source through every fault as a practice meets it: a pull, its store, the next pull.

One day goes well, on the next one the service fails, and the same day is pulled again. In every
case there is one clear line, what is held stays to the bit, and the pull that follows brings what
was missing. By default each source meets every fifth fault, the rest are long tests.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import faults
import pytest
from clients import CLIENTS, Client
from local_server import FOLDER, Fault, LocalServer
from test_fault_suite import CASES, GIANT

from forecast.climate import ClimateStore, open_climate
from forecast.practice import Practice, create_practice, open_practice
from jobs.sources.planning import SUBJECTS
from jobs.sources.pulling import Pulled, pull_source
from jobs.sources.source import find_source

TODAY = datetime(2026, 6, 10, 12, tzinfo=UTC)
A_DAY = timedelta(days=1)
LATER = {"dwd_pollen_index": A_DAY}  # its file of the 10th is refused on the 9th
EXPIRED = FOLDER / "certificate_expired.pem"


@dataclass
class Practised:
    """A practice that uses one source alone, and what plays the source."""

    folder: Path
    client: Client
    server: LocalServer
    clock: Any
    monkeypatch: pytest.MonkeyPatch
    url: str = ""
    verify: bool | str = True
    runs: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Make the practice, with the places that the client asks for."""
        self.url = self.server.url
        create_practice(self.folder, self.settings, now=TODAY - A_DAY)

    @property
    def settings(self) -> str:
        """The text of its practice.toml."""
        regions = "".join(
            f'[[region]]\nid = "{place.id}"\nname = "{place.id}"\nlatitude = {place.latitude}\n'
            f"longitude = {place.longitude}\nelevation = {place.elevation}\n"
            'time_zone = "Europe/Berlin"\nallergens = ["birch"]\n'
            for place in self.client.places
        )
        options = "".join(
            f"{name} = {toml(value)}, " for name, value in self.client.options.items()
        )
        return (
            f'[practice]\nname = "Made up"\ninvented = true\n{regions}[dosing]\n'
            f'flare_weeks_per_dose = 0.1\n[[pull]]\nsource = "{self.client.source_id}"\n'
            f'base_url = "{self.url}"\noptions = {{ {options.rstrip(", ")} }}\n'
        )

    def pull(self, now: datetime) -> Pulled:
        """Pull at a moment; days before those that the fake was made for are not asked."""
        (self.folder / "practice.toml").write_text(self.settings)
        self.clock.moment = now
        known = find_source(self.client.source_id)
        limits = replace(known.limits, largest_reply_bytes=GIANT // 3, pause_seconds=0.0)
        self.runs.append(str(len(self.runs)))
        return pull_source(
            open_practice(self.folder, now=now),
            self.store,
            replace(known, earliest=self.client.first, limits=limits),
            run_id=self.runs[-1],
            say=lambda line: None,
            clock=self.clock.clock,
            verify=self.verify,
        )

    @property
    def store(self) -> ClimateStore:
        """Its climate store."""
        return open_climate(self.practice)

    @property
    def practice(self) -> Practice:
        """The practice as it is on the second day."""
        return open_practice(self.folder, now=TODAY)

    def asked_until(self) -> set[Any]:
        """Return the last days that its places were asked for without fail."""
        subject = SUBJECTS[find_source(self.client.source_id).kind]
        return {last for _, last in self.store.asked(subject, self.client.source_id).values()}


def toml(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {toml(one)}" for name, one in value.items()) + " }"
    return json.dumps(value)


# ------------------------------------------------------------------------------ what may happen
def served(fault: Fault) -> Callable[[Practised], AbstractContextManager[None]]:
    """Return an outage in which the service answers with a fault."""

    @contextmanager
    def outage(made: Practised) -> Iterator[None]:
        made.server.fail(fault)
        made.clock.tick = 200.0 if fault is faults.drip else 0.0
        yield
        made.clock.tick = 0.0
        made.server.heal()

    return outage


@contextmanager
def no_name(made: Practised) -> Iterator[None]:
    """Let no name be resolved."""

    def refuses(*_: object, **__: object) -> list:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    with made.monkeypatch.context() as patched:
        patched.setattr(socket, "getaddrinfo", refuses)
        yield


@contextmanager
def expired(made: Practised) -> Iterator[None]:
    """Let the service show a certificate that is past its time."""
    with LocalServer(made.client.routes(), EXPIRED) as server:
        url, made.url, made.verify = made.url, server.url, str(EXPIRED)
        yield
        made.url, made.verify = url, True


OUTAGES = {
    **{name: (served(case.fault), case.words) for name, case in CASES.items()},
    "200 with an error body": (served(faults.error_in_200), ""),
    "DNS failure": (no_name, "cannot be resolved"),
    "expired TLS certificate": (expired, "certificate has expired"),
}


@pytest.fixture(scope="module")
def named() -> dict[str, Client]:
    """Give the clients by the id of their source."""
    return {client.source_id: client for client in CLIENTS}


def everything() -> list:
    """Return every source with every outage, four in five of them marked long."""
    return [
        pytest.param(
            client.source_id,
            name,
            id=f"{client.source_id}-{name}",
            marks=[] if (at + number) % 5 == 0 else [pytest.mark.long],
        )
        for at, client in enumerate(CLIENTS)
        for number, name in enumerate(OUTAGES)
    ]


@pytest.mark.parametrize(("source_id", "outage"), everything())
def test_whatever_fails_what_is_held_stays_and_the_next_pull_repairs_the_gap(
    source_id, outage, named, tmp_path, server, clock, monkeypatch
):
    for name in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.lower(), raising=False)
    client = named[source_id]
    server.routes.update(client.routes())
    made = Practised(tmp_path / "practice", client, server, clock, monkeypatch)
    today = TODAY + LATER.get(source_id, timedelta(0))
    first = made.pull(today - A_DAY)
    assert first.failures == []
    assert first.n_values > 0
    before, asked_before = made.store.head(), made.asked_until()

    strikes, words = OUTAGES[outage]
    with strikes(made):
        failed = made.pull(today)
    assert failed.failures  # one, or one a request where each was answered, but not with data
    assert len(failed.failures) == 1 or outage == "200 with an error body"
    for line in (*failed.failures, failed.sentence):
        assert words in line
        assert "\n" not in line
        assert "Traceback" not in line
    assert failed.failures[0].startswith(find_source(source_id).name)
    assert made.store.head() == before

    repaired = made.pull(today + timedelta(minutes=1))
    assert repaired.failures == []
    assert repaired.n_values > 0
    assert made.store.head() != before
    assert min(made.asked_until()) > max(asked_before)
