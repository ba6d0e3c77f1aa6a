"""The second factor: codes by RFC 6238, each once; recovery codes; links that switch it off."""

from __future__ import annotations

import base64
import hashlib
import hmac
import struct
from datetime import UTC, date, datetime, timedelta
from xml.etree import ElementTree

import pytest

from forecast.accounts import second_factor
from forecast.accounts.links import new_link, use_link
from forecast.accounts.people import account
from forecast.accounts.second_factor import (
    SecondFactorError,
    codes_left,
    is_a_secret,
    new_secret,
    qr_code,
    step_of,
    switch_off,
    switch_on,
)
from forecast.accounts.signing_in import (
    SignInError,
    WaitError,
    give_second_factor,
    sign_in,
    who_sits,
)

NOW = datetime(2024, 5, 31, 8, 0, tzinfo=UTC)
TODAY = date(2024, 5, 31)
PASSWORD = "plum tractor violin"
STEP = timedelta(seconds=30)
ASKED = {"today": TODAY, "now": NOW}
RFC_SECRET = base64.b32encode(b"12345678901234567890").decode()


def code_of(secret: str, at: datetime) -> str:
    """Compute a code as RFC 4226 and 6238 say, without the library in use."""
    counter = struct.pack(">Q", int(at.timestamp()) // 30)
    digest = hmac.new(base64.b32decode(secret), counter, hashlib.sha1).digest()
    start = digest[-1] & 15
    number = struct.unpack(">I", digest[start : start + 4])[0] & 0x7FFFFFFF
    return f"{number % 10**6:06d}"


@pytest.mark.parametrize(
    ("seconds", "code"),
    [
        (59, "287082"),
        (1111111109, "081804"),
        (1111111111, "050471"),
        (1234567890, "005924"),
        (2000000000, "279037"),
    ],
)
def test_codes_are_those_of_rfc_6238(seconds, code):
    """Appendix B, SHA-1; the last six of its eight digits."""
    moment = datetime.fromtimestamp(seconds, UTC)
    assert step_of(RFC_SECRET, code, now=moment) == seconds // 30
    assert code_of(RFC_SECRET, moment) == code


def test_a_code_of_the_neighbouring_steps_is_taken_and_no_other():
    """One step either way, for slow clocks."""
    secret = new_secret()
    taken = [n for n in range(-3, 4) if step_of(secret, code_of(secret, NOW + n * STEP), now=NOW)]
    assert taken == [-1, 0, 1]
    for wrong in ("", "12345", "abcdef", "١٢٣٤٥٦"):
        assert step_of(secret, wrong, now=NOW) is None


@pytest.fixture
def with_factor(records, make_person):
    """Give an account with a second factor, its secret and its recovery codes."""
    ann, secret = make_person(), new_secret()
    _, codes = switch_on(records, ann.id, secret, code_of(secret, NOW), now=NOW)
    return account(records, ann.id), secret, codes


def owing(records, account, at=NOW):
    done = sign_in(records, account.email, PASSWORD, address="a", today=TODAY, now=at)
    assert not done.is_whole
    return who_sits(records, done.token, today=TODAY, now=at)[0]


def test_switching_on_takes_a_right_code_and_ends_all_sessions(records, make_person):
    """Those that began with the password alone."""
    ann, secret = make_person(), new_secret()
    before = sign_in(records, ann.email, PASSWORD, address="a", **ASKED).token
    with pytest.raises(SecondFactorError, match="does not fit"):
        switch_on(records, ann.id, secret, "000000", now=NOW)
    assert not account(records, ann.id).has_second_factor
    token, codes = switch_on(records, ann.id, secret, code_of(secret, NOW), now=NOW)
    assert who_sits(records, before, **ASKED) is None
    assert who_sits(records, token, **ASKED)[0].is_whole
    assert len(set(codes)) == 10 == codes_left(records, ann.id)


def test_a_code_is_taken_once(records, with_factor):
    """Nor is one of an earlier step after it, so that one looked over the shoulder is useless."""
    ann, secret, _ = with_factor
    give = {"address": "a"}
    for early in (NOW, NOW - STEP):
        code, session = code_of(secret, early), owing(records, ann)
        with pytest.raises(SignInError, match="used before"):
            give_second_factor(records, session, code, now=NOW, **give)
    later = NOW + STEP
    session = owing(records, ann, later)
    token = give_second_factor(records, session, code_of(secret, later), now=later, **give)
    assert who_sits(records, token, today=TODAY, now=later)[0].is_whole
    assert who_sits(records, token, today=TODAY, now=later)[0].id != session.id


def test_a_recovery_code_is_taken_once_however_it_is_written(records, with_factor):
    """With or without its lines, in capitals."""
    ann, _, codes = with_factor
    written = codes[3].upper().replace("-", " ")
    give_second_factor(records, owing(records, ann), written, address="a", now=NOW)
    assert codes_left(records, ann.id) == 9
    with pytest.raises(SignInError):
        give_second_factor(records, owing(records, ann), codes[3], address="a", now=NOW)


def test_guessing_codes_has_to_wait(records, with_factor):
    """As guessing passwords has."""
    ann, _, _ = with_factor
    session = owing(records, ann)
    for n in range(5):
        with pytest.raises(SignInError):
            give_second_factor(records, session, f"{n:06d}", address="a", now=NOW)
    with pytest.raises(WaitError):
        give_second_factor(records, session, "000009", address="a", now=NOW)


def test_it_is_switched_off_by_oneself_or_by_a_link(records, with_factor):
    """A link for a new password alone leaves it owed."""
    ann, _, _ = with_factor
    link = new_link(records, ann.id, by=None, now=NOW)
    token = use_link(records, link.token, "seven quiet lanterns", **ASKED)
    assert not who_sits(records, token, **ASKED)[0].is_whole
    new_link(records, ann.id, without_second_factor=True, by=None, now=NOW)
    assert not account(records, ann.id).has_second_factor
    assert codes_left(records, ann.id) == 0
    secret = new_secret()
    switch_on(records, ann.id, secret, code_of(secret, NOW), now=NOW)
    token = switch_off(records, ann.id, now=NOW)
    assert who_sits(records, token, **ASKED)[1].has_second_factor is False


def test_the_qr_code_holds_the_address_and_no_styles():
    """A strict policy allows none; the picture is well-formed on its own."""
    address = second_factor.address_of(RFC_SECRET, email="ann@x.example", practice="Made up")
    assert address.startswith("otpauth://totp/forepaw%20Made%20up:ann%40x.example?secret=")
    drawn = qr_code(address)
    assert "style" not in drawn
    assert ElementTree.fromstring(drawn).tag == "svg"  # noqa: S314  drawn here


def test_only_secrets_of_our_own_making_are_taken_back_from_a_form():
    """The page hands it to the browser and gets it back."""
    assert is_a_secret(new_secret())
    for wrong in ("", "A" * 31, "a" * 32, "1" * 32, "A" * 33):
        assert not is_a_secret(wrong)
