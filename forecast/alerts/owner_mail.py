"""The mail that an owner gets: plain text and HTML of the same words, and the way out of it.

Nothing in it is fetched from anywhere and no link but the one to unsubscribe leads out, so that
reading it tells nobody anything. Names go into the header alone, cut and cleaned, since a register
holds whatever somebody typed.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from email.header import Header
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from functools import cache, cached_property
from importlib.resources import files
from itertools import pairwise

from jinja2 import Environment, Template

from forecast.alerts.mail_addresses import MailAddress
from forecast.wording import one_line
from models.parameters import load_table

_WIDTH = 72  # characters of a line of the plain part (RFC 5322 section 2.1.1 asks for 78 at most)
_ITEM = "- "
_SOFT_BREAK = b"=\r\n"  # RFC 2045 section 6.7
# of the length and the letters of every token, none of which quoted-printable writes otherwise
_ANY_TOKEN = "0f1e2d3c4b5a6978" + "." + "f0e1d2c3b4a5968778695a4b3c2d1e0f"
_TOKEN_PLACE = re.compile(b"(?:=\r\n)?".join(re.escape(sign.encode()) for sign in _ANY_TOKEN))


@dataclass(frozen=True)
class Foot:
    """What stands below a message: why it came, and how to stop more from coming."""

    language: str
    why: str
    stop: str
    stop_by_word: str


@dataclass(frozen=True)
class Block:
    """A paragraph, or a list."""

    text: str = ""
    items: tuple[str, ...] = ()


@dataclass(frozen=True)
class Part:
    """The words in one language."""

    language: str
    subject: str
    text: str

    @property
    def blocks(self) -> list[Block]:
        """Paragraphs and lists, as empty lines and leading hyphens tell them."""
        found = []
        for paragraph in self.text.strip().split("\n\n"):
            lines = [line.strip() for line in paragraph.strip().splitlines() if line.strip()]
            plain = [line for line in lines if not line.startswith(_ITEM)]
            items = tuple(line.removeprefix(_ITEM) for line in lines if line.startswith(_ITEM))
            if plain:
                found.append(Block(" ".join(plain)))
            if items:
                found.append(Block(items=items))
        return found


@dataclass(frozen=True)
class Sender:
    """Who writes: the practice's name and addresses."""

    name: str
    address: str
    reply_to: str | None = None


@dataclass(frozen=True)
class OwnerMail:
    """One alert's mail, the same for all but for the address and the link.

    It is written once; of a hundred thousand owners each gets a copy with their own lines, as
    folding headers anew takes a hundred times as long.

    Attributes
    ----------
    parts
        Its languages, the practice's own first, whose subject is the mail's.
    link_base
        What links to unsubscribe begin with; None where the practice has no public address.
    """

    sender: Sender
    parts: Sequence[Part]
    feet: Sequence[Foot]
    written_at: datetime
    link_base: str | None

    def text(self, token: str) -> str:
        """Return the plain part."""
        told = ["\n\n".join(_plain(block) for block in part.blocks) for part in self.parts]
        for number, part in enumerate(self.parts):
            if number:
                told[number] = f"{part.subject}\n\n{told[number]}"
        feet = "\n\n".join(_foot(foot, self._link(token)) for foot in self.feet)
        return "\n\n----\n\n".join(told) + f"\n\n-- \n{feet}\n"

    def html(self, token: str) -> str:
        """Return the HTML part."""
        return _template().render(
            subject=self.parts[0].subject,
            parts=self.parts,
            feet=self.feet,
            link=self._link(token),
        )

    def written(self, message_id: str, to: MailAddress, name: str, *, token: str) -> bytes:
        """Return the mail to one owner as a server takes it.

        Parameters
        ----------
        message_id
            Of the message: the same whenever it is written.
        name
            The owner's, as the register has it.
        token
            What the link to unsubscribe ends with (`unsubscribing.token_of`).
        """
        shown, domain = shown_name(name), self.sender.address.rpartition("@")[2]
        own = [f"To: {_mailbox(shown, to.spec)}", f"Message-ID: <{message_id}@{domain}>"]
        own += [self._subject]
        link = self._link(token)
        if link is not None:
            # never encoded, however long; a line may be of 998 (RFC 5322 section 2.1.1)
            own += [f"List-Unsubscribe: <{link}>"]
            own += ["List-Unsubscribe-Post: List-Unsubscribe=One-Click"]  # RFC 8058
        head = "".join(f"{line}\r\n" for line in own).encode("ascii")
        return head + b"".join(
            piece if isinstance(piece, bytes) else _cut(token, piece) for piece in self._common
        )

    @cached_property
    def _subject(self) -> str:
        """The line of the subject; the library's newer way begins a long one on an empty line."""
        text = one_line(self.parts[0].subject)
        charset = "us-ascii" if text.isascii() else "utf-8"
        written = Header(text, charset, header_name="Subject").encode(linesep="\r\n")
        return f"Subject: {written}"

    @cached_property
    def _common(self) -> list[bytes | tuple[int, ...]]:
        """What is the same for all; between it the places of the token, as lines break in it."""
        mail = EmailMessage(policy=SMTP)
        sender = self.sender
        mail["From"] = Address(one_line(sender.name), addr_spec=sender.address)
        if sender.reply_to is not None:
            mail["Reply-To"] = Address(addr_spec=sender.reply_to)
        mail["Date"] = format_datetime(self.written_at)
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers
        mail.set_content(self.text(_ANY_TOKEN), cte="quoted-printable")
        mail.add_alternative(self.html(_ANY_TOKEN), subtype="html", cte="quoted-printable")
        mail["Content-Language"] = ", ".join(part.language for part in self.parts)
        pieces: list[bytes | tuple[int, ...]] = []
        whole, end = mail.as_bytes(), 0
        for found in _TOKEN_PLACE.finditer(whole):
            pieces += [whole[end : found.start()], _breaks(found[0])]
            end = found.end()
        return [*pieces, whole[end:]]

    def _link(self, token: str) -> str | None:
        return None if self.link_base is None else f"{self.link_base}{token}"


def _breaks(written: bytes) -> tuple[int, ...]:
    """Return at which letters of a token quoted-printable lines break."""
    found, n_letters = [], 0
    for part in written.split(_SOFT_BREAK)[:-1]:
        n_letters += len(part)
        found.append(n_letters)
    return tuple(found)


def _cut(token: str, breaks: tuple[int, ...]) -> bytes:
    plain, ends = token.encode("ascii"), (0, *breaks, len(token))
    return _SOFT_BREAK.join(plain[start:end] for start, end in pairwise(ends))


def _mailbox(name: str, spec: str) -> str:
    """Return name and address as a header holds them (RFC 5322 section 3.4, RFC 2047)."""
    if not name:
        return spec
    if name.isascii():
        quoted = name.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{quoted}"\r\n <{spec}>'
    encoded = Header(name, "utf-8", header_name="To").encode(linesep="\r\n")
    return f"{encoded}\r\n <{spec}>"


def shown_name(name: str) -> str:
    """Return an owner's name as it may stand in a header: one line, no unseen signs, not long.

    What looks like an address is left out, as mail programs show the name in its place.
    """
    longest = _longest_name()
    plain = one_line(name[: 4 * longest])
    return "" if "@" in plain else plain[:longest].strip()


@cache
def _longest_name() -> int:
    return int(load_table("forecast.alerts", "delivery.toml").number("address.name"))


def _plain(block: Block) -> str:
    if not block.items:
        return textwrap.fill(block.text, _WIDTH, break_long_words=False, break_on_hyphens=False)
    return "\n".join(
        textwrap.fill(
            item,
            _WIDTH,
            initial_indent=_ITEM,
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
        for item in block.items
    )


def _foot(foot: Foot, link: str | None) -> str:
    told = textwrap.fill(foot.why, _WIDTH)
    if link is None:
        return f"{told}\n{textwrap.fill(foot.stop_by_word, _WIDTH)}"
    return f"{told}\n{foot.stop}:\n{link}"


def in_order(texts: Mapping[str, Part], first: str) -> list[Part]:
    """Return the parts of a mail with one language first, the others by their codes."""
    return [texts[one] for one in sorted(texts, key=lambda code: (code != first, code))]


@cache
def _template() -> Template:
    text = files("forecast.alerts").joinpath("owner_mail.html").read_text(encoding="utf-8")
    return Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(text)
