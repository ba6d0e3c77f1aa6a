"""Alerts' own mail session: TLS, login, a password that is wrong, and no faster than the rate."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from itertools import pairwise

from alert_runs import PEOPLE, by_state, got, quick_rules, run, sent_off
from alert_world import NOW, at, settings, states
from mail_server import CERTIFICATE, mail_server

from forecast.records.runs import runs

LOGIN = 'user = "forepaw"\nsecurity = "starttls"'


def test_over_tls_with_a_login_the_password_goes_out_after_tls_stands(tmp_path, monkeypatch):
    """Two households over one connection, after one login; the certificate is the test's own."""
    monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))
    with mail_server(security="starttls", login=True) as (taken, port):
        text = settings(mail_port=port, mail=LOGIN)
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


def test_a_certificate_that_is_not_to_be_trusted_gets_no_mail_and_no_password(tmp_path):
    """It is nobody's that this machine trusts."""
    with mail_server(security="starttls", login=True) as (taken, port):
        text = settings(mail_port=port, mail=LOGIN)
        with sent_off(tmp_path, text, PEOPLE[:1]) as (p, r):
            run(p, r, FOREPAW_ALERTS_MAIL_PASSWORD="right horse")
            ((state, why),) = states(r).values()
            assert state == "waiting"
    assert "its certificate is not trusted" in why
    assert (taken.logins, taken.mails) == ([], [])


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
