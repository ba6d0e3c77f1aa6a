"""Sessions: what a browser carries, how long it is good, how it ends."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from forecast.accounts.audit import entries
from forecast.accounts.people import change, set_active
from forecast.accounts.roles import Role
from forecast.accounts.sessions import (
    Session,
    begin,
    end,
    end_others,
    note_seen,
    sessions_of,
)
from forecast.accounts.signing_in import sign_in, who_sits
from forecast.records.account_tables import account_session

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)
TODAY = date(2024, 5, 31)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def ann(make_person):
    return make_person("ann", Role.ADMINISTRATOR)


def begun(records, account, *, at=NOW, is_whole=True):
    with records.writing() as connection:
        return begin(connection, account.id, is_whole=is_whole, now=at)


def sits(records, token, *, at=NOW, today=TODAY):
    return who_sits(records, token, today=today, now=at)


def test_a_session_is_found_by_its_token_and_by_nothing_else(records, ann):
    """The records hold a hash of it alone."""
    token = begun(records, ann)
    session, account = sits(records, token)
    assert account == ann
    for other in ("", token[:-1], token + "x", session.id):
        assert sits(records, other) is None
    with records.reading() as connection:
        assert token not in str(connection.execute(select(account_session)).all())


def test_it_ends_after_an_hour_without_use_and_after_twelve_hours(records, ann):
    """By the table. Use within the hour keeps it, up to its absolute end."""
    token = begun(records, ann)
    assert sits(records, token, at=NOW + 59 * MINUTE)
    assert sits(records, token, at=NOW + 60 * MINUTE) is None
    for minute in range(50, 12 * 60, 50):
        session, _ = sits(records, token, at=NOW + minute * MINUTE)
        note_seen(records, session, now=NOW + minute * MINUTE)
    assert sits(records, token, at=NOW + 719 * MINUTE)
    assert sits(records, token, at=NOW + 720 * MINUTE) is None


@given(st.integers(0, 10**5), st.integers(0, 10**5))
def test_a_session_once_over_stays_over(first, more):
    """Whatever the two moments."""
    held = Session("s", "a", NOW, NOW, True)
    if held.is_over(NOW + timedelta(seconds=first)):
        assert held.is_over(NOW + timedelta(seconds=first + more))


def test_half_a_session_waits_ten_minutes_for_its_second_factor(records, ann):
    """By the table."""
    token = begun(records, ann, is_whole=False)
    session, _ = sits(records, token, at=NOW + 9 * MINUTE)
    assert not session.is_whole
    assert sits(records, token, at=NOW + 10 * MINUTE) is None


def test_one_is_ended_and_all_others_are(records, ann):
    """The one that ends the others stays."""
    here, there, third = (begun(records, ann) for _ in range(3))
    end(records, sits(records, there)[0], by=ann.id, now=NOW)
    assert sits(records, there) is None
    end_others(records, sits(records, here)[0], now=NOW)
    assert sits(records, third) is None
    assert [one.id for one in sessions_of(records, ann.id, now=NOW)] == [sits(records, here)[0].id]


def test_what_is_taken_from_an_account_is_gone_at_once(records, ann, make_person):
    """Another role, another branch or a deactivation ends every session."""
    bo = make_person("bo")
    token = begun(records, bo)
    change(records, bo.id, role=Role.DESK, branches=(), until=None, by=ann.id, now=NOW)
    assert sits(records, token) is None
    token = begun(records, bo)
    set_active(records, bo.id, False, by=ann.id, now=NOW)
    assert sits(records, token) is None
    set_active(records, bo.id, True, by=ann.id, now=NOW)
    assert sits(records, token) is None


def test_a_locums_last_day_is_their_last(records, make_person):
    """On the next they sit nowhere, though nobody did anything."""
    locum = make_person("lou", until=date(2024, 6, 1))
    token = begun(records, locum)
    assert sits(records, token, today=date(2024, 6, 1))
    assert sits(records, token, today=date(2024, 6, 2)) is None


def test_signing_in_never_takes_over_a_token(records, ann):
    """Each sign-in has a new one, so one that was planted is of no use."""
    planted = begun(records, ann)
    first, second = (
        sign_in(
            records,
            ann.email,
            "plum tractor violin",
            address="10.0.0.1",
            today=TODAY,
            now=NOW,
        )
        for _ in range(2)
    )
    assert len({planted, first.token, second.token}) == 3


def test_old_sessions_are_swept_when_another_begins(records, ann):
    """No row stays for ever."""
    begun(records, ann)
    begun(records, ann, at=NOW + timedelta(days=2))
    with records.reading() as connection:
        held = connection.scalars(select(account_session.c.begun_at)).all()
    assert held == [NOW + timedelta(days=2)]


def test_ending_is_written_down(records, ann):
    """By whom, and which session."""
    session, _ = sits(records, begun(records, ann))
    end(records, session, by=ann.id, now=NOW)
    last = entries(records, newest=1)[0]
    assert (last.action, last.account_id, last.subject) == ("session ended", ann.id, session.id)
