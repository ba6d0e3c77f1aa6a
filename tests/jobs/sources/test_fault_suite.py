"""Every client through everything that somebody else's machine may do.

In every case: one clear line, what is held stays as it is, and the next run repairs the gap. By
default each client meets every third fault and each fault three clients; the rest are long tests.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from dataclasses import dataclass, replace

import faults
import pytest
from clients import CLIENTS, Client
from local_server import FOLDER, Fault, LocalServer

from jobs.sources.services import replies, service
from jobs.sources.source import (
    FormatError,
    RefusedError,
    SourceError,
    TemporaryError,
)

GIANT = 3_000_000


@dataclass(frozen=True)
class Case:
    """A fault, the error it must end in, words of its line, and how often it is asked."""

    fault: Fault
    error: type[SourceError]
    words: str
    tries: int


CASES = {
    "429 with Retry-After": Case(
        faults.status(429, b'{"error":true,"reason":"slow down"}', Retry_After="7"),
        TemporaryError,
        "answered 429",
        5,
    ),
    "500 for long": Case(faults.status(500), TemporaryError, "answered 500", 5),
    "slow drip": Case(faults.drip, TemporaryError, "not whole after", 1),
    "reset mid-body": Case(faults.reset, TemporaryError, "broke off in the midst", 5),
    "hang-up": Case(faults.hang_up, TemporaryError, "was refused or broke off", 5),
    "truncated gzip": Case(faults.cut_gzip, TemporaryError, "packed reply is cut short", 5),
    "HTML error page": Case(faults.html(502), TemporaryError, "answered 502", 5),
    "HTML page as 200": Case(faults.html(200), TemporaryError, "an HTML page", 5),
    "redirect loop": Case(faults.redirect_loop, RefusedError, "redirects in a circle", 4),
    "wrong content type": Case(faults.picture, TemporaryError, "image/png", 5),
    "giant body": Case(faults.giant(GIANT), RefusedError, "was broken off", 1),
    "not found": Case(faults.status(404), RefusedError, "answered 404", 1),
}


def pull(make_session, client: Client, server: LocalServer, **options) -> list:
    """Ask for everything and parse it, as a run does."""
    source = client.source(server.url)
    # without pauses between requests every sleep is a retry's
    limits = replace(source.limits, largest_reply_bytes=GIANT // 3, pause_seconds=0.0)
    source = replace(source, limits=limits)
    session = make_session(source, **options)
    settings = client.settings(server.url)
    wished = (client.places, client.first, client.last, settings)
    return [service(source).parse(reply) for reply in replies(session.get, source, *wished)]


def is_clear(error: BaseException, client: Client) -> bool:
    """Whether an error is one line that names its source and says what is held."""
    line = str(error)
    name = client.source("http://127.0.0.1").name
    return "\n" not in line and line.startswith(name) and "Traceback" not in line


@pytest.fixture(params=CLIENTS, ids=lambda client: client.source_id)
def client(request: pytest.FixtureRequest) -> Client:
    """Give each client in turn."""
    return request.param


def everything() -> list:
    """Return every client with every fault, two in three of them marked long."""
    return [
        pytest.param(
            each,
            case,
            id=f"{each.source_id}-{name}",
            marks=[] if (at + number) % 3 == 0 else [pytest.mark.long],
        )
        for at, each in enumerate(CLIENTS)
        for number, (name, case) in enumerate(CASES.items())
    ]


@pytest.mark.parametrize(("client", "case"), everything())
def test_a_fault_is_told_harms_nothing_and_is_repaired(
    case, client, server, make_session, archive, clock
):
    server.routes.update(client.routes())
    before = pull(make_session, client, server)
    held = list(archive.replay(client.source_id))
    assert held
    n_asked = len(server.asked)

    server.fail(case.fault)
    clock.tick = 200.0 if case.fault is faults.drip else 0.0
    with pytest.raises(case.error, match=case.words) as caught:
        pull(make_session, client, server)
    assert is_clear(caught.value, client)
    assert len(server.asked) - n_asked == case.tries
    assert list(archive.replay(client.source_id)) == held

    server.heal()
    clock.tick = 0.0
    clock.pass_by(86_400)
    after = pull(make_session, client, server)
    assert [parsed.findings for parsed in after] == [parsed.findings for parsed in before]


@pytest.mark.parametrize("n_faults", [pytest.param(1, marks=pytest.mark.long), 4])
def test_a_burst_of_500_is_ridden_out(client, server, make_session, clock, n_faults):
    server.routes.update(client.routes())
    server.fail(faults.status(500), times=n_faults)
    assert pull(make_session, client, server)
    # doubling from a second, each wait drawn from its upper half
    assert len(clock.slept) == n_faults
    for n, slept in enumerate(clock.slept):
        assert 2**n / 2 <= slept <= 2**n


def test_retry_after_is_waited_for(client, server, make_session, clock):
    server.routes.update(client.routes())
    server.fail(faults.status(429, Retry_After="7"), times=1)
    assert pull(make_session, client, server)
    assert 7.0 <= clock.slept[0] <= 8.0


def test_a_name_that_cannot_be_resolved_is_said(client, server, make_session, monkeypatch):
    def no_name(*_: object, **__: object) -> list:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    session = make_session(replace(client.source("http://data.example"), redirect_hosts=()))
    monkeypatch.setattr(socket, "getaddrinfo", no_name)
    settings = client.settings("http://data.example")
    wished = (client.places, client.first, client.last, settings)
    source = client.source("http://data.example")
    with pytest.raises(TemporaryError, match=r"data\.example cannot be resolved") as caught:
        list(replies(session.get, source, *wished))
    assert is_clear(caught.value, client)


@pytest.mark.parametrize(
    ("certificate", "trusted", "words"),
    [
        ("certificate_expired.pem", "certificate_expired.pem", "certificate has expired"),
        ("certificate_valid.pem", True, "self-signed certificate"),
    ],
)
def test_a_bad_certificate_is_refused(client, make_session, certificate, trusted, words):
    verify = trusted if trusted is True else str(FOLDER / trusted)
    with LocalServer(client.routes(), FOLDER / certificate) as server:
        with pytest.raises(RefusedError, match=words) as caught:
            pull(make_session, client, server, verify=verify)
        assert server.asked == []  # nothing was said over it
    assert is_clear(caught.value, client)


def test_a_good_certificate_is_taken(client, make_session):
    with LocalServer(client.routes(), FOLDER / "certificate_valid.pem") as server:
        assert pull(make_session, client, server, verify=str(FOLDER / "certificate_valid.pem"))


def test_an_error_inside_a_200_is_no_data(client, server, make_session):
    server.routes.update(client.routes())
    server.fail(faults.error_in_200)
    with pytest.raises((FormatError, RefusedError)) as caught:
        pull(make_session, client, server)
    assert is_clear(caught.value, client)
    server.heal()
    assert pull(make_session, client, server)


def test_the_key_of_a_faulty_service_is_in_no_line(server, make_session):
    client = CLIENTS[0]
    server.routes.update(client.routes())
    source = client.source(server.url)
    session = make_session(source, keys={source.id: "secret-key-123"})
    echoing: Callable = faults.status(403, b'{"error":true,"reason":"key secret-key-123 is bad"}')
    server.fail(echoing)
    wished = (client.places, client.first, client.last, client.settings(server.url))
    with pytest.raises(RefusedError, match="the key") as caught:
        list(replies(session.get, source, *wished))
    assert "secret-key-123" not in str(caught.value)
