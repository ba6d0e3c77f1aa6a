"""Mail addresses as they stand in what a register says of an owner: one that is safe, or why not.

What a register holds was typed by somebody, or pasted. A text that holds line breaks could write
headers of its own (RFC 5322, section 2.2), a domain may look like another one, and some are no
addresses at all. Nothing is mended: an address that is doubtful is refused and listed, since a mail
to the wrong person tells them about somebody else.
"""

from __future__ import annotations

import hmac
import re
import unicodedata
from dataclasses import dataclass, field
from functools import lru_cache

from models.errors import ForepawError
from models.parameters import load_table

# RFC 5321 section 4.1.2, without quoted local parts; RFC 1035 section 2.3.1 for a label
_LOCAL = re.compile(r"^[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*$")
_LABEL = re.compile(r"^[a-z0-9]([a-z0-9-]*[a-z0-9])?$")
_PARTS = re.compile(r"[\s,;<>()\[\]\"|]+")
_ENCODED = "xn--"  # RFC 5890: what follows is a label in other letters than ASCII
# scripts with letters that are drawn like Latin ones (Unicode TR 39)
_DRAWN_ALIKE = frozenset({"CYRILLIC", "GREEK", "ARMENIAN", "CHEROKEE", "COPTIC", "LISU"})


class AddressError(ForepawError):
    """No address that may be written to; `code` is the same for the same reason."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code


@dataclass(frozen=True)
class MailAddress:
    """An address that may be written to: as servers take it, and as addresses are compared."""

    spec: str = field(repr=False)

    @property
    def compared(self) -> str:
        """The address in lower case.

        RFC 5321 lets a server tell letters' case apart; two people at addresses that differ in
        nothing else are not known to any service.
        """
        return self.spec.lower()


def find_address(contact: str) -> MailAddress:
    """Return the one mail address that stands in an owner's contact.

    Raises
    ------
    AddressError
        If there is none, there are several, or the one there is cannot be trusted. The sentence
        does not repeat what was found.
    """
    if len(contact) > _limit("contact"):
        raise AddressError("too long", f"the contact is {len(contact):,} characters long")
    if not contact.isprintable() and any(  # nearly all are: no need to look at each sign
        unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp") for sign in contact.strip()
    ):
        raise AddressError("control signs", "the contact holds line breaks or unseen signs")
    found = [part.strip("':").rstrip(".") for part in _PARTS.split(contact) if "@" in part]
    found = [part.removeprefix("mailto:") for part in found]
    if not found:
        raise AddressError("none", "the contact holds no mail address")
    if len({part.lower() for part in found}) > 1:
        raise AddressError("several", "the contact holds several mail addresses")
    return _checked(found[0])


def _checked(text: str) -> MailAddress:
    local, _, domain = text.rpartition("@")
    if not local or "@" in local or len(local) > _limit("local_part"):
        raise AddressError("no address", "what stands before the @ is no name of a mailbox")
    if not local.isascii():
        raise AddressError(
            "other letters", "the name of the mailbox has letters that many servers do not take"
        )
    if _LOCAL.match(local) is None:
        raise AddressError("no address", "what stands before the @ is no name of a mailbox")
    labels = _domain(domain)
    spec = f"{local}@{labels}"
    if len(spec) > _limit("address"):
        raise AddressError("too long", "the mail address is longer than any")
    return MailAddress(spec)


@lru_cache(maxsize=10_000)
def _domain(domain: str) -> str:
    """Return a domain as servers name it, in ASCII and lower case."""
    labels = domain.lower().split(".")
    if len(labels) < 2 or not all(labels):
        raise AddressError("no address", "what stands behind the @ is no domain")
    plain = [_label(label, top=labels[-1]) for label in labels]
    if plain[-1].isdigit() or len(".".join(plain)) > _limit("domain"):
        raise AddressError("no address", "what stands behind the @ is no domain")
    return ".".join(plain)


def _label(label: str, *, top: str) -> str:
    import idna

    try:
        shown = idna.decode(label) if label.startswith(_ENCODED) else label
        plain = label if label.isascii() else idna.encode(label).decode("ascii")
    except idna.IDNAError:
        raise AddressError("no address", "what stands behind the @ is no domain") from None
    if _LABEL.match(plain) is None or len(plain) > _limit("label"):
        raise AddressError("no address", "what stands behind the @ is no domain")
    _refuse_look_alike(shown, top)
    return plain


def _refuse_look_alike(label: str, top: str) -> None:
    """Refuse a label of two alphabets, or of one that is drawn like Latin under a Latin ending."""
    scripts = {unicodedata.name(sign, "?").split()[0] for sign in label if sign.isalpha()}
    kana_and_han = {"HIRAGANA", "KATAKANA", "CJK", "KATAKANA-HIRAGANA"}
    mixed = len(scripts) > 1 and not scripts <= kana_and_han
    under_latin = top.isascii() and not top.startswith(_ENCODED)
    if mixed or (under_latin and scripts & _DRAWN_ALIKE):
        raise AddressError(
            "look-alike", "the domain has letters of another alphabet that look like its own"
        )


def address_key(address: MailAddress, key: bytes) -> str:
    """Return what is kept in the place of an address: whoever lacks the key cannot test one."""
    return hmac.digest(key, address.compared.encode(), "sha256").hex()[:32]


@lru_cache(maxsize=16)
def _limit(name: str) -> int:
    return int(load_table("forecast.alerts", "delivery.toml").number(f"address.{name}"))
