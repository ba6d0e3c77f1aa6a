"""Waits after failures: they grow, they end, and many tries at once gain nothing."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select

from forecast.accounts.waits import Counted, give_back, take_a_try, wait_after
from forecast.records.account_tables import sign_in_wait

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)
ANN, HOUSE = Counted("account", "ann"), Counted("address", "10.0.0.1")
SECOND = timedelta(seconds=1)


def test_waits_double_from_the_fifth_failure_and_are_never_for_ever():
    """By the table: four are free, then 2, 4, 8 ... s, an hour at most."""
    seconds = [wait_after("account", n).total_seconds() for n in range(1, 10)]
    assert seconds == [0, 0, 0, 0, 2, 4, 8, 16, 32]
    assert wait_after("account", 10**9) == timedelta(hours=1)
    assert wait_after("address", 10**9) == timedelta(minutes=15)


@given(st.sampled_from(["account", "address"]), st.integers(0, 200))
def test_a_wait_never_shrinks_as_failures_go_on(kind, n):
    """Whoever goes on guessing waits at least as long."""
    assert wait_after(kind, n) <= wait_after(kind, n + 1)


def test_a_try_within_a_wait_is_refused_and_does_not_lengthen_it(records):
    """The fifth failure costs two seconds; asking meanwhile costs nothing more."""
    for _ in range(5):
        assert not take_a_try(records, [ANN], now=NOW)
    assert take_a_try(records, [ANN], now=NOW + SECOND) == SECOND
    assert take_a_try(records, [ANN], now=NOW + SECOND) == SECOND
    assert not take_a_try(records, [ANN], now=NOW + 2 * SECOND)
    assert take_a_try(records, [ANN], now=NOW + 3 * SECOND) == 3 * SECOND


def test_a_right_try_forgets_an_accounts_failures_but_an_addresss_only_once(records):
    """Else whoever has an account could guess at others' between his own sign-ins."""
    for _ in range(40):
        take_a_try(records, [HOUSE], now=NOW)
    before = take_a_try(records, [HOUSE], now=NOW)
    assert before > timedelta(0)
    later = NOW + before
    for _ in range(4):
        take_a_try(records, [ANN], now=later)
    assert not take_a_try(records, [ANN, HOUSE], now=later)
    with records.writing() as connection:
        give_back(connection, [ANN, HOUSE])
        held = connection.execute(select(sign_in_wait)).all()
    assert [row.subject_sha256 for row in held] == [HOUSE.key]
    assert not take_a_try(records, [ANN, HOUSE], now=later)


def test_failures_are_forgotten_after_a_day(records):
    """And no row stays for ever."""
    for _ in range(5):
        take_a_try(records, [ANN], now=NOW)
    take_a_try(records, [HOUSE], now=NOW + timedelta(days=1))
    with records.reading() as connection:
        assert connection.scalar(select(func.count()).select_from(sign_in_wait)) == 1


def test_many_tries_at_once_are_counted_one_by_one(records):
    """Of twenty at the same moment five may look at the password, as if they came in turn."""
    with ThreadPoolExecutor(8) as pool:
        waits = list(pool.map(lambda _: take_a_try(records, [ANN], now=NOW), range(20)))
    assert sum(not wait for wait in waits) == 5


def test_nothing_that_was_typed_is_kept(records):
    """Strangers type mail addresses, sometimes passwords, into that field."""
    typed = Counted("account", "email somebody@elsewhere.example")
    take_a_try(records, [typed], now=NOW)
    with records.reading() as connection:
        kept = str(connection.execute(select(sign_in_wait)).all())
    assert "somebody" not in kept
