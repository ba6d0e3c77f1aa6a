"""What stands in a register as an address: found, or refused for a reason that names nobody."""

from __future__ import annotations

import pytest

from forecast.alerts.mail_addresses import AddressError, address_key, find_address


@pytest.mark.parametrize(
    ("contact", "spec"),
    [
        ("anna@x.example", "anna@x.example"),
        ("  Anna.B+dog@X.Example  ", "Anna.B+dog@x.example"),
        ("0170 123; mailto:anna@x.example", "anna@x.example"),
        ("Anna <anna@x.example>, 0170 123", "anna@x.example"),
        ("anna@x.example / ANNA@X.EXAMPLE", "anna@x.example"),
        # IDNA: the German letter is Latin; the name in ASCII from RFC 3492's algorithm, as
        # commonly printed
        ("anna@müller.example", "anna@xn--mller-kva.example"),
    ],
)
def test_an_address_is_found(contact, spec):
    """Among a phone number, in brackets, twice the same, in German letters."""
    assert find_address(contact).spec == spec


@pytest.mark.parametrize(
    ("contact", "code"),
    [
        ("", "none"),
        ("0170 1234567", "none"),
        ("anna@x.example\nBcc: all@y.example", "control signs"),
        ("anna@x.example\r\n\r\nbuy", "control signs"),
        ("anna@x.ex\u200bample", "control signs"),
        ("anna@x.example, bert@y.example", "several"),
        ("anna@@x.example", "no address"),
        ("anna@x", "no address"),
        ("anna@x..example", "no address"),
        ("anna@-x.example", "no address"),
        ("anna@1.2.3.4", "no address"),
        (".anna@x.example", "no address"),
        ("@x.example", "no address"),
        ('"a b"@x.example', "no address"),
        ("änna@x.example", "other letters"),
        ("a" * 65 + "@x.example", "no address"),
        ("anna@" + "x" * 64 + ".example", "no address"),
        ("anna@" + "x." * 130 + "example", "no address"),
        ("anna@x.example " + "1" * 1_000_000, "too long"),
        ("anna@p\u0430ypractice.example", "look-alike"),  # a Cyrillic letter among Latin ones
        ("anna@\u0440\u0430\u0443.example", "look-alike"),  # all Cyrillic, drawn like "pay"
        ("anna@xn--80aq1b.example", "look-alike"),  # the same kind, already encoded
    ],
)
def test_what_is_doubtful_is_refused(contact, code):
    """Nothing is mended; the sentence does not repeat it."""
    with pytest.raises(AddressError) as refusal:
        find_address(contact)
    assert refusal.value.code == code
    assert "anna" not in str(refusal.value)


def test_keys_tell_addresses_apart_and_nothing_of_them():
    """The same for the same address in other letters; another with another key."""
    one, other = find_address("Anna@x.example"), find_address("anna@X.example")
    assert address_key(one, b"k") == address_key(other, b"k")
    assert address_key(one, b"k") != address_key(one, b"l")
    assert "anna" not in repr(one)
