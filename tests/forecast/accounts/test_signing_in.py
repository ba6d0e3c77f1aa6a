"""Signing in: who is let in, and what a stranger learns from being refused: nothing."""

from __future__ import annotations

import secrets
from datetime import UTC, date, datetime, timedelta

import pytest
from argon2 import PasswordHasher
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, update

from forecast.accounts import passwords
from forecast.accounts.audit import entries
from forecast.accounts.links import invite, new_link
from forecast.accounts.people import set_active
from forecast.accounts.roles import Role
from forecast.accounts.signing_in import (
    SignInError,
    WaitError,
    change_password,
    sign_in,
    sign_out,
    who_sits,
)
from forecast.records.account_tables import account as account_table

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)
TODAY = date(2024, 5, 31)
PASSWORD, OTHER = "plum tractor violin", "seven quiet lanterns"
ANN = "ann@practice.example"


def come(records, email=ANN, password=PASSWORD, **more):
    asked = {"address": "10.0.0.1", "today": TODAY, "now": NOW} | more
    return sign_in(records, email, password, **asked)


def test_the_right_password_lets_in(records, make_person):
    """Case and blanks around do not count in a mail address; they do in a password."""
    ann = make_person()
    done = come(records, "  ANN@Practice.Example ")
    assert done.is_whole
    assert who_sits(records, done.token, today=TODAY, now=NOW)[1] == ann
    assert entries(records, newest=1)[0].action == "signed in"
    for wrong in (PASSWORD.upper(), PASSWORD + " ", ""):
        with pytest.raises(SignInError):
            come(records, password=wrong)


def test_a_refusal_tells_nothing_and_costs_the_same(records, make_person, monkeypatch):
    """Nobody of that address, a wrong password, one deactivated, ended, or not come yet."""
    admin = make_person("ida", Role.ADMINISTRATOR)
    make_person()
    gone = make_person("gus")
    set_active(records, gone.id, False, by=admin.id, now=NOW)
    make_person("lou", until=date(2024, 5, 31))
    invited = {"name": "new", "email": "new@practice.example", "role": Role.VET}
    invite(records, **invited, by=admin.id, now=NOW)
    worked = []
    quick = passwords._hasher()
    verify = quick.verify

    class Counting:
        def __getattr__(self, name):
            return getattr(quick, name)

        def verify(self, kept, password):
            worked.append(kept)
            return verify(kept, password)

    monkeypatch.setattr(passwords, "_hasher", Counting)
    told = []
    for n, (name, password, today) in enumerate(
        [
            ("nobody", PASSWORD, TODAY),
            ("ann", OTHER, TODAY),
            ("gus", PASSWORD, TODAY),
            ("lou", PASSWORD, date(2024, 6, 1)),
            ("new", PASSWORD, TODAY),
        ]
    ):
        with pytest.raises(SignInError) as refused:
            come(records, f"{name}@practice.example", password, today=today)
        told.append(str(refused.value))
        assert len(worked) == n + 1
    assert len(set(told)) == 1


def test_too_many_failures_have_to_wait_whoever_it_is(records, make_person):
    """An address that nobody has waits like one that somebody has; the right password too."""
    make_person()
    for email in (ANN, "nobody@practice.example"):
        for _ in range(5):
            with pytest.raises(SignInError):
                come(records, email, OTHER)
        with pytest.raises(WaitError, match=r"wait 2 s") as refused:
            come(records, email)
        assert refused.value.seconds == 2
    assert come(records, now=NOW + timedelta(seconds=2)).is_whole


def test_a_known_browser_is_not_kept_out_by_the_guesses_of_others(records, make_person):
    """It waits for its own failures alone, and only for the account it is known of."""
    make_person()
    make_person("bo")
    known = come(records).browser
    for _ in range(6):
        with pytest.raises(SignInError):
            come(records, password=OTHER, address="10.9.9.9")
    with pytest.raises(WaitError):
        come(records, address="10.0.0.2")
    bos = come(records, "bo@practice.example", address="10.0.0.3").browser
    with pytest.raises(WaitError):
        come(records, browser=bos)
    again = come(records, browser=known)
    assert again.browser != known
    late = NOW + timedelta(days=90)
    for _ in range(5):
        with pytest.raises(SignInError):
            come(records, password=OTHER, address="10.9.9.9", now=late)
    with pytest.raises(WaitError):
        come(records, browser=again.browser, now=late)


def test_one_address_cannot_try_one_password_on_everybody(records):
    """After thirty failures it waits, whatever mail addresses it tries."""
    for n in range(31):
        with pytest.raises(SignInError) as refused:
            come(records, f"n{n}@practice.example")
        assert not isinstance(refused.value, WaitError)
    with pytest.raises(WaitError):
        come(records, "another@practice.example")


def test_an_outdated_hash_is_made_anew(records, make_person):
    """At the next right sign-in; a wrong one changes nothing."""
    ann = make_person()
    old = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1).hash(PASSWORD)
    with records.writing() as connection:
        own = update(account_table).where(account_table.c.id == ann.id)
        connection.execute(own.values(password_hash=old))

    def kept():
        with records.reading() as connection:
            return connection.scalar(
                select(account_table.c.password_hash).where(account_table.c.id == ann.id)
            )

    with pytest.raises(SignInError):
        come(records, password=OTHER)
    assert kept() == old
    come(records)
    assert kept() != old
    assert come(records).is_whole


def test_signing_out_ends_the_session(records, make_person):
    """For good: what the browser carried is of no use."""
    make_person()
    done = come(records)
    session, _ = who_sits(records, done.token, today=TODAY, now=NOW)
    sign_out(records, session, now=NOW)
    assert who_sits(records, done.token, today=TODAY, now=NOW) is None


def test_changing_the_password_takes_the_old_one_and_ends_all_sessions(records, make_person):
    """The browser that did it carries a new token."""
    ann = make_person()
    before = come(records).token
    asked = {"address": "10.0.0.1", "now": NOW}
    with pytest.raises(SignInError, match="present password is not right"):
        change_password(records, ann, old=OTHER, new=OTHER, **asked)
    with pytest.raises(passwords.PasswordError, match="easily guessed"):
        change_password(records, ann, old=PASSWORD, new="ann ann ann ann ann", **asked)
    assert come(records).is_whole
    token = change_password(records, ann, old=PASSWORD, new=OTHER, **asked)
    assert who_sits(records, before, today=TODAY, now=NOW) is None
    assert who_sits(records, token, today=TODAY, now=NOW) is not None
    with pytest.raises(SignInError):
        come(records)
    assert come(records, password=OTHER).is_whole


def test_a_link_for_a_new_password_leaves_the_old_one_until_it_is_used(records, make_person):
    """So nobody is locked out by a link that they never get."""
    ann = make_person()
    new_link(records, ann.id, by=None, now=NOW)
    assert come(records).is_whole


@given(st.text(st.characters(codec=None), max_size=20), st.text(max_size=20))
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_typed_is_refused_in_the_same_sentence(records, email, password):
    """Control characters and halves of characters too, on both databases: never a fault."""
    with pytest.raises(SignInError):
        come(records, email, password, address=secrets.token_hex(4))
