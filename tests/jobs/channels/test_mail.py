"""Mail is handed over securely and once, and what went wrong is told without anybody's words."""

from __future__ import annotations

import socket
import struct
from datetime import UTC, datetime

import pytest
from mail_server import CERTIFICATE, EXPIRED, mail_server, polite_until, rough_server

from forecast.settings_notices import MailSection
from jobs.channels import Message, Outcome
from jobs.channels.mail import send_mail

MESSAGE = Message(
    id="abc123",
    subject="Praxis am See: pull nasa_power fails",
    text="pull nasa_power fails.\nÜber Nacht kam nichts.\n.\nA line of a dot alone stays.\n",
    facts=[],
    written_at=datetime(2024, 5, 31, 20, tzinfo=UTC),
)


@pytest.fixture
def trusted(monkeypatch):
    """Trust the tests' own certificate, as SSL_CERT_FILE lets a practice trust its server's."""
    monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))


def send(port: int, timeout: float = 5.0, **changes) -> Outcome:
    settings = MailSection.model_validate(
        {
            "to": ["office@practice.example", "it@practice.example"],
            "from": "forepaw@practice.example",
            "host": "127.0.0.1",
            "port": port,
            "security": "none",
        }
        | {name: value for name, value in changes.items() if name != "password"}
    )
    return send_mail(
        MESSAGE,
        settings,
        password=changes.get("password"),
        sender_name="Praxis Größe, Zürich",
        timeout=timeout,
    )


def test_a_mail_arrives_whole(trusted):
    """Umlauts in headers and text, a line with a dot alone, its date, an id that stays the same."""
    with mail_server() as (taken, port):
        assert send(port) == Outcome("told")
    (mail,) = taken.mails
    assert taken.recipients == [["office@practice.example", "it@practice.example"]]
    assert mail["Subject"] == MESSAGE.subject
    assert mail["From"].addresses[0].display_name == "Praxis Größe, Zürich"
    assert mail["From"].addresses[0].addr_spec == "forepaw@practice.example"
    assert mail["Message-ID"] == "<abc123@practice.example>"
    assert mail["Date"].datetime == MESSAGE.written_at
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_content() == MESSAGE.text.replace("\n", "\r\n")


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_over_tls_with_a_login(trusted, security):
    """Both kinds; the password goes out after TLS stands, and nothing without the login."""
    with mail_server(security=security, login=True) as (taken, port):
        login = {"user": "forepaw", "password": "right horse"}
        assert send(port, security=security, **login) == Outcome("told")
        without = send(port, security=security)
    assert (without.state, len(taken.mails)) == ("failed", 1)
    assert without.error.endswith("it answered with code 530")  # RFC 4954 section 6
    assert taken.logins == [("forepaw", "right horse")]


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_password_may_have_letters_outside_ascii(trusted, security):
    """PLAIN is UTF-8 (RFC 4616)."""
    with mail_server(security=security, login=True) as (taken, port):
        taken.password = "größtes Pferd"
        login = {"user": "prâxis", "password": "größtes Pferd"}
        assert send(port, security=security, **login) == Outcome("told")
    assert len(taken.mails) == 1
    assert taken.logins == [("prâxis", "größtes Pferd")]


def test_a_certificate_of_another_machine_gets_no_mail_and_no_password(trusted):
    """It is sound and trusted, and its names are not that of the server that was asked for."""
    said = list[bytes]()
    with rough_server(
        lambda caller: said.append(caller.recv(100)), certificate=CERTIFICATE, address="127.0.0.2"
    ) as port:
        login = {"user": "forepaw", "password": "right horse"}
        outcome = send(port, security="tls", host="127.0.0.2", **login)
    assert outcome.state == "failed"
    assert "its certificate is not trusted" in outcome.error
    assert "127.0.0.2" in outcome.error
    assert said == []


def test_a_server_that_never_begins_tls_is_given_up(trusted):
    """It listens, and is no mail server at all."""
    with rough_server(lambda caller: caller.recv(4096) and caller.recv(1)) as port:
        outcome = send(port, timeout=0.3, security="tls")
    assert outcome.state == "failed"
    assert "it took too long" in outcome.error


@pytest.mark.parametrize("security", ["starttls", "tls"])
@pytest.mark.parametrize("case", ["not trusted", "expired"])
def test_a_certificate_that_is_not_to_be_trusted_gets_no_mail_and_no_password(
    monkeypatch, security, case
):
    """Of one nobody vouches for, or one that ran out."""
    certificate = EXPIRED if case == "expired" else CERTIFICATE
    if case == "expired":
        monkeypatch.setenv("SSL_CERT_FILE", str(EXPIRED))
    else:
        monkeypatch.delenv("SSL_CERT_FILE", raising=False)
    with mail_server(security=security, certificate=certificate) as (taken, port):
        outcome = send(port, security=security, user="forepaw", password="right horse")
    assert outcome.state == "failed"
    assert "its certificate is not trusted" in outcome.error
    assert taken.mails == taken.logins == []


def test_a_server_without_tls_gets_nothing_where_tls_is_asked(trusted):
    """Neither kind falls back to plain text."""
    with mail_server() as (taken, port):
        outcome = send(port, security="starttls", user="forepaw", password="right horse")
        assert outcome.state == "failed"
        assert "does not offer what the settings ask for" in outcome.error
        outcome = send(port, security="tls")
        assert (outcome.state, taken.mails) == ("failed", [])
        assert "does not speak TLS there" in outcome.error


def test_a_wrong_password_is_told_without_it(trusted):
    """Failed: it may be mended and sent again."""
    with mail_server(security="starttls", login=True) as (taken, port):
        outcome = send(port, 1.0, security="starttls", user="forepaw", password="wrong horse")
    assert outcome.state == "failed"
    # the server of this test hangs up after a wrong password, in answer to the second way of login
    assert "at the login" in outcome.error
    assert "horse" not in outcome.error
    assert taken.mails == []


def test_nobody_there():
    """Failed, with host and port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        outcome = send(port)
    assert outcome == Outcome(
        "failed", f"the mail server 127.0.0.1:{port} could not be reached: connection refused"
    )


def test_some_recipients_refused():
    """The others get it; how many were refused is told, not who."""
    with mail_server() as (taken, port):
        taken.answer_to_recipient = lambda address: (
            "550 no such user" if address.startswith("it@") else "250 OK"
        )
        outcome = send(port)
    assert outcome.state == "told"
    assert outcome.error.endswith("refused 1 of the recipients")
    assert taken.recipients == [["office@practice.example"]]


@pytest.mark.parametrize(
    ("recipient", "data", "code"), [("550 no", "250 OK", 550), ("250 OK", "452 full", 452)]
)
def test_a_mail_that_is_refused_may_be_sent_again(recipient, data, code):
    """All recipients, or the mail itself: failed, with the code and not the server's words."""
    with mail_server() as (taken, port):
        taken.answer_to_recipient = lambda address: recipient
        taken.answer_to_data = data
        outcome = send(port)
    assert outcome.state == "failed"
    assert str(code) in outcome.error
    assert "full" not in outcome.error
    assert taken.mails == []


@pytest.mark.parametrize("password", ["right horse", "größtes Pferd"])
def test_a_refused_login_is_told_with_its_code(password):
    """Of a server that stays polite."""

    def refuse(caller: socket.socket) -> None:
        caller.sendall(b"535 5.7.8 forepaw@practice.example may not\r\n")
        caller.recv(100)

    def talk(caller: socket.socket) -> None:
        lines = caller.makefile("rb")
        caller.sendall(b"220 here\r\n")
        lines.readline()
        caller.sendall(b"250-here\r\n250 AUTH PLAIN\r\n")
        lines.readline()
        refuse(caller)

    with rough_server(talk) as port:
        outcome = send(port, user="forepaw", password=password)
    assert outcome.state == "failed"
    assert outcome.error.endswith("did not take the message: it refused the login (code 535)")


def throw_away(caller: socket.socket) -> None:
    caller.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    caller.close()


@pytest.mark.parametrize("word", [b"EHLO", b"MAIL", b"RCPT", b"DATA"])
@pytest.mark.parametrize("security", ["none", "tls"])
def test_a_server_that_breaks_off_before_it_had_the_mail(trusted, word, security):
    """Failed; but after DATA it is not known, as the mail goes out right behind."""
    certificate = CERTIFICATE if security == "tls" else None
    with rough_server(polite_until(word, throw_away), certificate=certificate) as port:
        outcome = send(port, security=security)
    assert outcome.state == ("not known" if word == b"DATA" else "failed")
    assert "127.0.0.1" in outcome.error


@pytest.mark.parametrize("security", ["none", "tls"])
def test_a_server_that_breaks_off_after_it_had_the_mail(trusted, security):
    """It may have kept it: not known."""
    certificate = CERTIFICATE if security == "tls" else None
    with rough_server(polite_until(b".", throw_away), certificate=certificate) as port:
        outcome = send(port, security=security)
    assert outcome.state == "not known"
    assert "gave no answer to the message" in outcome.error


@pytest.mark.parametrize(("word", "state"), [(b"MAIL", "failed"), (b".", "not known")])
def test_a_server_that_says_nothing_is_given_up(word, state):
    """After the time that a word may take."""
    with rough_server(polite_until(word, lambda caller: caller.recv(1))) as port:
        outcome = send(port, timeout=0.3)
    assert outcome.state == state
    assert "it took too long" in outcome.error or "it broke the connection off" in outcome.error
