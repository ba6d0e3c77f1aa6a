"""A webhook gets the news signed, is never followed elsewhere, and its address is never told."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import socket
from datetime import UTC, datetime
from pathlib import Path

import pytest
from faults import hang_up, reset, status
from local_server import Answer, LocalServer

from jobs.channels import Message, Outcome
from jobs.channels.webhook import post_message, signed_headers

CERTIFICATE = Path(__file__).parents[1] / "sources" / "certificate_valid.pem"
SENT_AT = datetime(2024, 5, 31, 20, tzinfo=UTC)
MESSAGE = Message(
    id="abc123",
    subject="x",
    text="pull nasa_power fails; über Nacht",
    facts=[{"about": "pull nasa_power", "news": "began"}],
    written_at=SENT_AT,
)


@pytest.fixture
def server():
    with LocalServer({"/hook": lambda asked: Answer(204)}) as running:
        yield running


def post(url: str, timeout: float = 5.0, secret: str = "kept safe") -> Outcome:
    return post_message(
        MESSAGE, url, secret=secret, sender="Praxis", sent_at=SENT_AT, timeout=timeout
    )


def test_the_signature_is_that_of_the_specification():
    """The example of the Standard Webhooks specification: its secret, id, time and body."""
    headers = signed_headers(
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        b'{"test": 2432232314}',
        secret="whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        sent_at=datetime.fromtimestamp(1614265330, UTC),
    )
    assert headers == {
        "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


def test_what_arrives(server):
    """JSON with the text and the facts, and a signature that the receiver makes alike."""
    assert post(f"{server.url}/hook/part?token=secret") == Outcome("told")
    (asked,) = server.asked
    assert json.loads(asked.body) == {
        "type": "forepaw.notices",
        "timestamp": "2024-05-31T20:00:00+00:00",
        "data": {"from": "Praxis", "text": MESSAGE.text, "notices": MESSAGE.facts},
    }
    stamp = asked.headers["webhook-timestamp"]
    assert stamp == "1717185600"  # date -d 2024-05-31T20:00Z +%s
    signed = f"abc123.{stamp}.".encode() + asked.body
    own = base64.b64encode(hmac.digest(b"kept safe", signed, hashlib.sha256)).decode()
    assert asked.headers["webhook-signature"] == f"v1,{own}"
    assert asked.headers["webhook-id"] == "abc123"


@pytest.mark.parametrize(
    ("fault", "state", "words"),
    [
        (status(500), "failed", "answered with status 500"),
        (status(404), "failed", "answered with status 404"),
        (status(302, Location="/hook/elsewhere"), "failed", "answered with status 302"),
        (hang_up, "not known", "gave no answer: it broke the connection off"),
    ],
    ids=["500", "404", "redirect", "hung up"],
)
def test_a_receiver_that_fails(server, fault, state, words):
    """A redirect is not followed; who hangs up may have kept it. Path and token are not told."""
    server.fail(fault)
    outcome = post(f"{server.url}/hook/part?token=secret")
    assert (outcome.state, len(server.asked)) == (state, 1)
    assert outcome.error == f"the web address at 127.0.0.1 {words}"


def test_an_answer_that_breaks_off_after_its_status_counts(server):
    """The status was said; the rest is not asked for."""
    server.routes["/hook"] = lambda asked: Answer(200, b"x" * 1000)
    server.fail(reset)
    assert post(f"{server.url}/hook") == Outcome("told")


def test_a_receiver_that_says_nothing_is_given_up(server):
    """It has the whole message, so it is not known."""
    import time

    server.fail(lambda handler, answer: time.sleep(1))
    outcome = post(f"{server.url}/hook", timeout=0.2)
    assert outcome == Outcome(
        "not known", "the web address at 127.0.0.1 gave no answer: it took too long"
    )


def test_nobody_there():
    """Failed."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        outcome = post(f"http://127.0.0.1:{free.getsockname()[1]}/hook")
    assert outcome == Outcome("failed", "the web address at 127.0.0.1 could not be reached")


def test_a_certificate_that_nobody_vouches_for_gets_nothing():
    """The message does not leave."""
    with LocalServer({"/hook": lambda asked: Answer(204)}, certificate=CERTIFICATE) as server:
        outcome = post(f"{server.url}/hook")
        assert server.asked == []
    assert outcome.state == "failed"
    assert "its certificate or TLS failed" in outcome.error
