"""The web process: what it bears, what it logs, how it is told to end."""

from __future__ import annotations

import io
import json
import signal
import socket
import subprocess
import sys
import time
from contextlib import closing, suppress
from datetime import UTC, datetime

import httpx2
import pytest

from forecast.pages.door import Door
from forecast.pages.opened import OpenedPractice
from forecast.practice import create_practice
from forecast.settings_pages import PagesSection
from jobs.logs import logs
from jobs.web import Listening, WebError, connection, run_web
from jobs.web.access_log import AccessLog

ADDRESS = "127.0.0.1"
MOMENT = datetime(2022, 6, 27, 0, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def issued_practice(small_settings, tmp_path_factory):
    """Give one without data in place of the filled one: nobody gets past the door here."""
    practice = create_practice(tmp_path_factory.mktemp("bare") / "practice", small_settings)
    return practice.folder, MOMENT


def talk(port: int, *pieces: bytes, pause: float = 0.0) -> bytes:
    """Send pieces over a connection of one's own; return all that comes back until it ends."""
    with closing(socket.create_connection((ADDRESS, port), timeout=20)) as line:
        for piece in pieces:
            line.sendall(piece)
            time.sleep(pause)
        came = b""
        while piece := line.recv(65_536):
            came += piece
        return came


def port_of(base: str) -> int:
    return int(base.rpartition(":")[2])


@pytest.mark.long
# ------------------------------------------------------------------------------------------- limits
def test_headers_beyond_the_limit_are_refused(site):
    """Whoever sends 100 kB of headers gets 400 or 431 and is let go; others are answered on.

    The answer may be lost, where the line is cut while the rest is still being sent.
    """
    filling = b"".join(b"x-%d: %s\r\n" % (n, b"a" * 1000) for n in range(100))
    with suppress(BrokenPipeError, ConnectionResetError):
        came = talk(port_of(site.base), b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n" + filling)
        assert came.split(b" ")[1] in (b"400", b"431")
    assert httpx2.get(f"{site.base}/sign-in").status_code == 200


def test_who_sends_no_whole_request_is_let_go(site, monkeypatch):
    """Silent from the first, and a header that never ends, byte by byte."""
    monkeypatch.setattr(connection, "HEADERS_WITHIN", 0.3)
    for pieces in ([], [b"GET / HTTP/1.1\r\n", *[b"x"] * 6]):
        began = time.monotonic()
        try:
            came = talk(port_of(site.base), *pieces, pause=0.1)
        except (BrokenPipeError, ConnectionResetError):
            came = b""  # it was let go while it sent
        assert came == b""
        assert time.monotonic() - began < 10


def test_a_slow_answer_is_waited_for(site, monkeypatch):
    """The limit is on what a browser sends, not on how long an answer takes."""
    who = Door.who

    def slow(*asked):
        time.sleep(1.0)
        return who(*asked)

    monkeypatch.setattr(Door, "who", slow)
    monkeypatch.setattr(connection, "HEADERS_WITHIN", 0.5)
    assert httpx2.get(f"{site.base}/sign-in").status_code == 200


def test_the_server_tells_nothing_of_itself(site):
    """No name, no version."""
    assert "server" not in httpx2.get(f"{site.base}/sign-in").headers


def test_a_strangers_word_on_who_calls_is_not_taken(site):
    """Without trusted proxies the headers of proxies change nothing: no TLS is believed."""
    told = {"x-forwarded-proto": "https", "x-forwarded-for": "203.0.113.9", "host": "elsewhere"}
    assert httpx2.get(f"{site.base}/sign-in", headers=told).status_code == 421
    told.pop("host")
    reply = httpx2.get(f"{site.base}/", headers=told, follow_redirects=False)
    assert reply.headers["location"].startswith("/sign-in")


# --------------------------------------------------------------------------------- the access log
def test_the_log_tells_routes_and_no_names_nor_secrets(site):
    """Not what stands in an address, behind its question mark or in a form."""
    secret, name = "s3cr3t-token-of-a-link", "Quillfeather"
    heard = io.StringIO()
    with logs(stream=heard, as_json=True):
        httpx2.get(f"{site.base}/invitation/{secret}")
        httpx2.get(f"{site.base}/sign-in?next=/{name}")
        httpx2.get(f"{site.base}/{name}")
        form = {"email": f"{name}@practice.example", "password": secret}
        httpx2.post(f"{site.base}/sign-in", data=form, headers={"origin": site.base})
        httpx2.request(name.upper(), f"{site.base}/sign-in")
        give_up = time.monotonic() + 10  # a line is written after the answer was given
        while '"other"' not in heard.getvalue() and time.monotonic() < give_up:
            time.sleep(0.01)
    lines = [json.loads(line) for line in heard.getvalue().splitlines()]
    told = [(one["method"], one["page"], one["status"]) for one in lines]
    told = told[told.index(("GET", "/invitation/{token}", 404)) :]  # the test before may tell late
    assert told[:4] == [
        ("GET", "/invitation/{token}", 404),
        ("GET", "/sign-in", 200),
        ("GET", "none", 404),
        ("POST", "/sign-in", 422),
    ]
    assert told[4][0] == "other"
    assert all(one["milliseconds"] >= 0 and one["bytes"] > 0 for one in lines)
    assert secret not in heard.getvalue()
    assert name.lower() not in heard.getvalue().lower()


def test_an_application_that_breaks_is_told_as_an_error(site):
    """Even one that answers nothing."""
    import asyncio

    async def broken(scope, receive, send):
        raise RuntimeError("Quillfeather")

    heard = io.StringIO()
    with logs(stream=heard, as_json=True), pytest.raises(RuntimeError):
        asyncio.run(AccessLog(broken)({"type": "http", "method": "GET"}, None, None))
    line = json.loads(heard.getvalue())
    assert (line["message"], line["level"], line["status"]) == ("not answered", "error", None)
    assert "Quillfeather" not in heard.getvalue()


# -------------------------------------------------------------------------------------- beginning
def test_a_port_in_use_is_refused_in_a_sentence(small_settings, tmp_path):
    """The address, the port, why, and what to do."""
    create_practice(tmp_path / "practice", small_settings)
    with closing(socket.create_server((ADDRESS, 0))) as other:
        port = other.getsockname()[1]
        with pytest.raises(WebError, match=rf"{ADDRESS}, port {port}, and cannot: .*\[pages\]"):
            run_web(tmp_path / "practice", ready=lambda _: None, port=port)


def test_it_binds_to_this_machine_alone_unless_told_otherwise(small_settings, tmp_path):
    """127.0.0.1, and that is what it calls itself."""
    create_practice(tmp_path / "practice", small_settings)
    heard: list[Listening] = []

    def ready(listening: Listening) -> None:
        heard.append(listening)
        signal.raise_signal(signal.SIGTERM)

    assert run_web(tmp_path / "practice", ready=ready, port=0) == 0
    assert heard[0].address == PagesSection().address == ADDRESS
    assert heard[0].public_address == f"http://{ADDRESS}:{heard[0].port}"


@pytest.mark.long
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_command_shows_a_first_link_and_ends_well(small_settings, tmp_path, number):
    """A first administrator comes in by the link; a signal ends it with 0, answers being given."""
    create_practice(tmp_path / "practice", small_settings)
    run = "from jobs.cli import program; program()"
    words = ["pages", "--practice", str(tmp_path / "practice"), "--port", "0"]
    one = subprocess.Popen([sys.executable, "-c", run, *words], stderr=subprocess.PIPE, text=True)
    try:
        assert one.stderr is not None
        link = next(line.strip() for line in one.stderr if "/invitation/" in line)
        base = link.partition("/invitation/")[0]
        assert httpx2.get(link).status_code == 200
        form = {
            "name": "A first",
            "email": "first@practice.example",
            "password": "four quiet otters yawn",
            "again": "four quiet otters yawn",
        }
        with httpx2.Client(base_url=base) as client:
            done = client.post(link, data=form, headers={"origin": base}, follow_redirects=True)
            assert done.status_code == 200
            assert client.get("/people").status_code == 200
        assert httpx2.get(link).status_code == 404  # used up
        one.send_signal(number)
        assert one.wait(20) == 0
    finally:
        one.kill()
        one.communicate()


def test_an_edited_practice_toml_is_read_anew(small_settings, tmp_path):
    """Its name changes on the next page."""
    practice = create_practice(tmp_path / "practice", small_settings)
    opened = OpenedPractice(practice.folder)
    assert opened.practice().settings.practice.name == "Made up"
    practice.settings_file.write_text(small_settings.replace("Made up", "Made up anew"))
    assert opened.practice().settings.practice.name == "Made up anew"
    opened.close()
