"""Alerts' own mail session: TLS, login, a password that is wrong, and no faster than the rate."""

from __future__ import annotations

import re
from collections import Counter
from datetime import timedelta
from itertools import pairwise

import pytest
from alert_runs import PEOPLE, by_state, got, quick_rules, run, sent_off
from alert_world import NOW, at, settings, states
from mail_server import CERTIFICATE, mail_server, polite_until, rough_server

from forecast.records.runs import runs

LOGIN = 'user = "forepaw"\nsecurity = "starttls"'
IMPLICIT = 'user = "forepaw"\nsecurity = "tls"'


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_over_tls_with_a_login_the_password_goes_out_after_tls_stands(
    tmp_path, monkeypatch, security
):
    """Two households over one connection, after one login; the certificate is the test's own."""
    monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))
    with mail_server(security=security, login=True) as (taken, port):
        text = settings(mail_port=port, mail=LOGIN if security == "starttls" else IMPLICIT)
        with sent_off(tmp_path, text, PEOPLE[:2]) as (p, r):
            run(p, r, FOREPAW_ALERTS_MAIL_PASSWORD="right horse")
            assert by_state(r) == {"sent": 2}
    assert taken.logins == [("forepaw", "right horse")]
    assert got(taken) == Counter({f"o{n}@x.example": 1 for n in range(2)})


def test_a_wrong_password_loses_nothing_and_is_one_sentence(tmp_path, monkeypatch):
    """One login is tried, nobody's attempt is counted; mended, everybody gets it once."""
    monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))
    # the server of this test gives no answer to the second way of login
    monkeypatch.setattr("jobs.alert_delivery.delivery_rules", lambda p: quick_rules(p, answer=0.5))
    with mail_server(security="starttls", login=True) as (taken, port):
        text = settings(mail_port=port, mail=LOGIN)
        with sent_off(tmp_path, text, PEOPLE[:4]) as (p, r):
            said = run(p, r, FOREPAW_ALERTS_MAIL_PASSWORD="wrong horse").sentence
            assert "took nothing: it broke the connection off at the login" in said
            assert "horse" not in said
            assert (runs(r)[0].state, by_state(r), taken.mails) == ("failed", {"waiting": 4}, [])
            nobody = run(p, r)
            assert "there is no password" in nobody.sentence
            assert by_state(r) == {"waiting": 4}
            later = at(p, NOW + timedelta(hours=1))
            run(later, r, FOREPAW_ALERTS_MAIL_PASSWORD="right horse")
            assert by_state(r) == {"sent": 4}
    assert got(taken) == Counter({f"o{n}@x.example": 1 for n in range(4)})


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_that_is_not_to_be_trusted_gets_no_mail_and_no_password(tmp_path, security):
    """It is nobody's that this machine trusts."""
    with mail_server(security=security, login=True) as (taken, port):
        text = settings(mail_port=port, mail=LOGIN if security == "starttls" else IMPLICIT)
        with sent_off(tmp_path, text, PEOPLE[:1]) as (p, r):
            run(p, r, FOREPAW_ALERTS_MAIL_PASSWORD="right horse")
            ((state, why),) = states(r).values()
            assert state == "waiting"
    assert "its certificate is not trusted" in why
    assert (taken.logins, taken.mails) == ([], [])


def test_a_password_that_no_way_of_login_takes_puts_nobody_in_doubt(tmp_path, monkeypatch):
    """Its letters need PLAIN, which the server does not offer: nothing went out, all wait."""
    monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))

    def talk(caller) -> None:
        lines = caller.makefile("rb")
        caller.sendall(b"220 here\r\n")
        for line in lines:
            told.append(line)
            caller.sendall(b"250-here\r\n250 AUTH CRAM-MD5 LOGIN\r\n")

    told = list[bytes]()
    with (
        rough_server(talk, certificate=CERTIFICATE) as port,
        sent_off(tmp_path, settings(mail_port=port, mail=IMPLICIT), PEOPLE[:3]) as (p, r),
    ):
        said = run(p, r, FOREPAW_ALERTS_MAIL_PASSWORD="größtes Pferd").sentence
        assert by_state(r) == {"waiting": 3}
    assert "does not offer what the settings ask for" in said
    assert [line.split()[0].upper() for line in told if b"QUIT" not in line] == [b"EHLO"] * 3


@pytest.mark.parametrize(("word", "state"), [(b"RCPT", "waiting"), (b".", "in doubt")])
def test_a_server_that_hangs_up_within_tls_gives_nobody_anything_twice(
    tmp_path, monkeypatch, word, state
):
    """After the whole mail nobody knows, so it is never sent again; before it, it was not taken."""
    monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))
    n_talks = Counter[bytes]()

    def hang_up(caller) -> None:
        n_talks[word] += 1
        caller.close()

    text = settings(mail_port=1, mail='security = "tls"')
    with sent_off(tmp_path, text, PEOPLE[:1]) as (p, r):
        with rough_server(polite_until(word, hang_up), certificate=CERTIFICATE) as port:
            change_port(p, port)
            run(at(p, NOW), r)
            assert by_state(r) == {state: 1}
            run(at(p, NOW + timedelta(hours=1)), r)
        assert n_talks[word] == (1 if state == "in doubt" else 2)
        with mail_server(security="tls") as (taken, port):
            change_port(p, port)
            run(at(p, NOW + timedelta(hours=2)), r)
        assert len(taken.mails) == (state == "waiting")
        assert by_state(r) == {"in doubt" if state == "in doubt" else "sent": 1}


def change_port(practice, port: int) -> None:
    """Name another port of the mail server in practice.toml."""
    file = practice.settings_file
    file.write_text(re.sub(r"(?m)^port = \d+$", f"port = {port}", file.read_text()))


class Watch:
    """A clock that goes on by sleeping alone, and a hundredth of a second with each look."""

    def __init__(self) -> None:
        self.now, self.slept = 1000.0, list[float]()

    def monotonic(self) -> float:
        """Tell the time [s]."""
        self.now += 0.01
        return self.now

    def sleep(self, seconds: float) -> None:
        """Let it go by [s]."""
        self.slept.append(seconds)
        self.now += seconds


def test_messages_leave_no_faster_than_the_rate_says(tmp_path, monkeypatch):
    """Six a minute: ten seconds between two, whose ends are written down before the wait."""
    watch = Watch()
    monkeypatch.setattr("jobs.alert_delivery.time", watch)
    with mail_server() as (taken, port):
        text = settings(mail_port=port, mail="most_per_minute = 6")
        with sent_off(tmp_path, text) as (p, r):
            left, handed_at = list[Counter[str]](), list[float]()
            rest = watch.sleep
            taken.answer_to_recipient = lambda _: handed_at.append(watch.now) or "250 OK"

            def sleep(seconds: float) -> None:
                left.append(by_state(r))
                rest(seconds)

            monkeypatch.setattr(watch, "sleep", sleep)
            run(p, r)
    gaps = [later - before for before, later in pairwise(handed_at)]
    assert len(handed_at) == 5
    assert all(10.0 <= gap < 10.5 for gap in gaps)
    assert [one["sent"] for one in left] == [1, 2, 3, 4, 5]  # it waits before it looks a last time
    assert all(one["sending"] == 0 for one in left)
