"""Passwords: what is refused, what is kept, and that a stranger costs the same work."""

from __future__ import annotations

import string
import unicodedata

import pytest
from argon2 import PasswordHasher, Type, extract_parameters
from hypothesis import given
from hypothesis import strategies as st

from forecast.accounts import passwords
from forecast.accounts.passwords import (
    PasswordError,
    check_password,
    hash_password,
    is_outdated,
    is_right,
    own_part,
)

GOOD = "plum tractor violin"


def test_the_shipped_numbers_are_the_second_option_of_rfc_9106(monkeypatch):
    """Section 4: Argon2id, 3 passes, 4 lanes, 2^16 KiB, 128 bits of salt, 256 of tag."""
    monkeypatch.undo()
    made = extract_parameters(hash_password(GOOD))
    assert made.type is Type.ID
    assert (made.time_cost, made.parallelism, made.memory_cost) == (3, 4, 2**16)
    assert (8 * made.salt_len, 8 * made.hash_len) == (128, 256)


@pytest.mark.parametrize(
    "guessed",
    [
        "passwordpassword",
        "Password123456789",
        "qwertyuiopasdfgh",
        "aaaaaaaaaaaaaaaaaaaa",
        "abababababababababab",
        "1234567890123456",
        "forepaw forepaw forepaw",
        "ann ann ann ann ann ann",
        "hillside-clinic-2024",
        "letmein letmein 2024",
        "zyxwvutsrqponmlk",
        "p l u m p l u m p l u m",
    ],
)
def test_what_is_easily_guessed_is_refused_and_not_repeated(guessed):
    """Common words, runs, repeats, names known here, in whatever mixture."""
    with pytest.raises(PasswordError, match="easily guessed") as refused:
        check_password(guessed, known=["Ann", "ann@practice.example", "Hillside clinic"])
    assert guessed not in str(refused.value)


@pytest.mark.parametrize(
    "taken",
    [GOOD, "Tm5%xQ9!vL2&kRw", "매화나무 트랙터 바이올린 구름", "nine lives of a barn owl"],
)
def test_whatever_else_is_long_enough_is_taken(taken):
    """No kind of character is asked for, none refused."""
    check_password(taken, known=["Ann"])


def test_length_is_counted_in_characters():
    """Fourteen are too few, fifteen enough, 257 too many; the number found is told."""
    with pytest.raises(PasswordError, match=r"has 14 characters; it must have at least 15"):
        check_password("plum tractor v")
    check_password("plum tractor vi")
    with pytest.raises(PasswordError, match="at most 256"):
        check_password("plum tractor violin " * 13)


def test_what_is_left_is_told_by_the_rules():
    """By hand: "tree" and "1234" go, "xy" stays once."""
    assert own_part("xyxyxy 1234 tree", known=["Tree"]) == "xy"
    assert own_part("no") == "no"


@given(st.text(string.ascii_letters + string.digits + " -", max_size=40), st.integers(2, 5))
def test_repeating_a_password_adds_nothing(piece, times):
    """Said again it is worth as much as once."""
    assert own_part(piece * times) == own_part(piece)


@given(st.text(max_size=60), st.text(max_size=60))
def test_only_the_same_password_is_right(one, other):
    """Up to Unicode's own forms of the same characters (NFKC)."""
    same = unicodedata.normalize("NFKC", one) == unicodedata.normalize("NFKC", other)
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_hasher", lambda: quick)
        assert is_right(other, hash_password(one)) is same


def test_a_stranger_costs_the_same_work(monkeypatch):
    """Argon2 is asked once either way: with nothing kept, with what is broken, with the real."""
    asked = []
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)

    class Counting:
        hash = staticmethod(quick.hash)

        def verify(self, kept, password):
            asked.append(kept)
            return quick.verify(kept, password)

    monkeypatch.setattr(passwords, "_hasher", Counting)
    kept = hash_password(GOOD)
    assert [is_right(GOOD, None), is_right("wrong", kept), is_right(GOOD, kept)] == [
        False,
        False,
        True,
    ]
    assert len(asked) == 3
    assert is_right("the password of nobody at all", None) is False


def test_a_hash_with_other_numbers_is_outdated():
    """Then it is made anew at the next sign-in."""
    old = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1).hash(GOOD)
    assert is_outdated(old)
    assert is_right(GOOD, old)
    assert not is_outdated(hash_password(GOOD))
