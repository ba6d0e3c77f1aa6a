"""Passwords: kept as Argon2id (RFC 9106), refused where they are easily guessed.

The rules follow NIST SP 800-63B: length alone counts, any character may stand in it and none must;
what is common or expected is refused; nothing ever expires by itself.
"""

from __future__ import annotations

import re
import threading
import unicodedata
from collections.abc import Sequence
from functools import cache

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

from forecast.accounts.limits import count, words
from models.errors import ForepawError

_LEAST_RUN = 3
_WORTH_TAKING_OUT = 3  # a name of two letters is in every other word


class PasswordError(ForepawError):
    """A password that is not taken; the sentence never holds it."""


def normalised(password: str) -> str:
    """Return the password as it is worked on: Unicode NFKC, so that keyboards agree."""
    return unicodedata.normalize("NFKC", password)


def check_password(password: str, *, known: Sequence[str] = ()) -> None:
    """Refuse a new password that is too short or easily guessed.

    Parameters
    ----------
    known
        What anybody would try first: the person's name and address, the practice's name.

    Raises
    ------
    PasswordError
        The sentence says what is allowed, and never holds the password.
    """
    shortest, longest = count("password.shortest"), count("password.longest")
    n = len(normalised(password))
    if n < shortest:
        raise PasswordError(
            f"the password has {n} characters; it must have at least {shortest}: three or four "
            "words that do not belong together are easy to remember"
        )
    if n > longest:
        raise PasswordError(f"the password has {n} characters; at most {longest} are taken")
    fewest = count("password.fewest_of_its_own")
    if len(own_part(password, known=known)) < fewest:
        raise PasswordError(
            "the password is easily guessed: without common words, names of this practice and its "
            "people, runs such as 1234 and repeats, too little of it is left; take words that "
            "nobody would expect of you"
        )


def own_part(password: str, *, known: Sequence[str] = ()) -> str:
    """Return the letters and digits of a password that no rule takes out.

    Taken out are common words, what is `known`, runs of three or more neighbours on a keyboard or
    in the alphabet, either way, and every repeat of what stood before it.
    """
    left = _once(_plain(password))
    pieces = [*words("password.common_words"), *(p for k in known for p in _pieces(k))]
    for piece in sorted(set(pieces), key=len, reverse=True):
        left = left.replace(piece, " ")
    left = re.sub(_runs(), " ", left)
    while (shorter := re.sub(r"(\w{1,8}?)\s*\1+", r"\1", left)) != left:
        left = shorter
    return "".join(left.split())


def _once(text: str) -> str:
    """Return what a text says again and again, once; all of it where it does not."""
    for length in range(1, len(text) // 2 + 1):
        if len(text) % length == 0 and text == text[:length] * (len(text) // length):
            return text[:length]
    return text


def _plain(text: str) -> str:
    folded = normalised(text).casefold()
    return "".join(letter for letter in folded if letter.isalnum())


def _pieces(text: str) -> list[str]:
    parts = [_plain(part) for part in re.split(r"[\W_]+", text)]
    return [part for part in [*parts, _plain(text)] if len(part) >= _WORTH_TAKING_OUT]


@cache
def _runs() -> re.Pattern[str]:
    """Return what matches any three or more neighbours of a run, forwards or backwards."""
    found = set()
    for run in words("password.runs"):
        for line in (run, run[::-1]):
            for start in range(len(line) - _LEAST_RUN + 1):
                found |= {line[start:end] for end in range(start + _LEAST_RUN, len(line) + 1)}
    return re.compile("|".join(sorted(map(re.escape, found), key=len, reverse=True)))


# --------------------------------------------------------------------------------- what is kept
@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher(
        time_cost=count("password.passes"),
        memory_cost=count("password.memory"),
        parallelism=count("password.lanes"),
        hash_len=count("password.tag_length"),
        salt_len=count("password.salt_length"),
        type=Type.ID,
    )


@cache
def _turns() -> threading.Semaphore:
    return threading.Semaphore(count("password.at_once"))


@cache
def _of_nobody() -> str:
    """Return a hash that no password is tried against in earnest; made with today's numbers."""
    return hash_password("the password of nobody at all")


def hash_password(password: str) -> str:
    """Return what is kept of a password: Argon2id with its numbers and a salt, in one text."""
    with _turns():
        return _hasher().hash(normalised(password))


def is_right(password: str, kept: str | None) -> bool:
    """Whether a password is the one that was kept.

    Where nothing is kept (an address that nobody has, somebody who has not come yet) the same work
    is done, so that the time an answer takes tells nothing.
    """
    nobody = _of_nobody()  # made at the first call of a process, whoever it is for
    against = kept or nobody
    tried = normalised(password)[: count("password.longest") + 1]
    with _turns():
        try:
            _hasher().verify(against, tried)
        except (VerificationError, InvalidHashError):
            return False
    return kept is not None


def is_outdated(kept: str) -> bool:
    """Whether a hash was made with other numbers than today's."""
    return _hasher().check_needs_rehash(kept)
