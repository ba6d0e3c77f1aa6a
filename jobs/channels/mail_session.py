"""A mail session: many messages, one recipient each, over one connection (SMTP, RFC 5321).

What the server says of a recipient is told apart from what it says of itself: a mailbox that is not
there is that one's end, a server that is away ends the session and nobody's message.
"""

from __future__ import annotations

import re
import smtplib
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from queue import Empty, SimpleQueue
from threading import Thread
from typing import Literal

from forecast.settings_notices import MailServerSection
from jobs.channels.mail import TAKEN, cause_of, connect, is_refused_login, secure

# What became of one message. "server" is the server's own trouble: it took nothing, and the next
# message would fare no better.
Handed = Literal["sent", "refused", "later", "in doubt", "server"]
_PERMANENT = 500  # and above (RFC 5321 section 4.2.1)
_CLOSING = 421
_GO_ON = 354
_DOT = re.compile(rb"^\.", re.MULTILINE)  # RFC 5321 section 4.5.2; messages end in a line's end
_BAD_MAILBOX = (b"5.1.", b"#5.1.")  # RFC 3463: bad destination mailbox or system


@dataclass(frozen=True)
class Hand:
    """How handing one message over ended; `why` holds neither address nor the server's words.

    `is_login` says that the server refused the login: another try at once could only lock it.
    """

    state: Handed
    why: str | None = None
    is_bounce: bool = False
    is_login: bool = False


class MailSession:
    """One connection at a time, opened when first needed and anew after so many messages.

    Parameters
    ----------
    answer, whole
        Longest wait for a word of the server, and for a message [s].
    """

    def __init__(
        self,
        settings: MailServerSection,
        *,
        password: str | None,
        answer: float,
        whole: float,
        messages: int,
    ) -> None:
        self._whole = whole
        self._where = f"the mail server {settings.host}:{settings.port}"
        self._new_line = partial(_Line, settings, password, answer, messages, self._where)
        self._line = self._new_line()
        self._line.start()

    def hand_over(self, address: str, written: bytes) -> Hand:
        """Hand one message over, within the time a message may take."""
        told = SimpleQueue[Hand]()
        self._line.asked.put((address, written, told))
        try:
            return told.get(timeout=self._whole)
        except Empty:
            # what is late goes on by itself to its own end, on a line that nobody uses any more
            self._line.leave()
            self._line = self._new_line()
            self._line.start()
            return Hand("in doubt", f"{self._where} took longer than {self._whole:g} s")

    def close(self) -> None:
        """Say good-bye; that it fails changes nothing."""
        self._line.asked.put(None)
        self._line.join(self._whole)


_Asked = tuple[str, bytes, SimpleQueue[Hand]]


class _Line(Thread):
    """One connection after the other, in a thread; one that is left opens none any more."""

    def __init__(
        self,
        settings: MailServerSection,
        password: str | None,
        answer: float,
        messages: int,
        where: str,
    ) -> None:
        super().__init__(name="mail line", daemon=True)
        self.asked = SimpleQueue[_Asked | None]()
        self._settings, self._password = settings, password
        self._answer, self._messages, self._where = answer, messages, where
        self._server: smtplib.SMTP | None = None
        self._n_sent = 0
        self.is_left = False

    def run(self) -> None:
        """Hand over what is asked for, one after the other, until None is asked."""
        while (one := self.asked.get()) is not None:
            address, written, told = one
            try:
                hand = self.hand_over(address, written)
            except Exception as error:
                # a fault of the program: how far it came is not known
                hand = Hand("in doubt", f"it was stopped by {type(error).__name__}")
            told.put(hand)
        self.close()

    def leave(self) -> None:
        """Let nothing more go out here."""
        self.is_left = True
        self.asked.put(None)
        self._break_off()

    def close(self) -> None:
        """Say good-bye; on a line that is left, which another thread breaks off, not even that."""
        server = self._server
        if server is not None and not self.is_left:
            with suppress(OSError, smtplib.SMTPException):
                server.quit()
        self._break_off()

    def _break_off(self) -> None:
        server, self._server, self._n_sent = self._server, None, 0
        if server is not None:
            server.close()

    def hand_over(self, address: str, written: bytes) -> Hand:
        """Hand one message over."""
        if self._n_sent >= self._messages:
            self.close()
        is_fresh = self._server is None
        hand = self._try(address, written)
        if hand.state == "server" and not is_fresh:
            # a server may end a connection that has rested or carried enough; nothing was taken
            hand = self._try(address, written)
        return hand

    def _try(self, address: str, written: bytes) -> Hand:
        try:
            server = self._opened()
            code, _ = server.mail(self._settings.sender)
            if code != 250:
                raise smtplib.SMTPResponseException(code, b"the sender was refused")
            code, answer = server.rcpt(address)
        except (OSError, smtplib.SMTPException, ValueError) as error:
            # also what cannot be written as this protocol wants it: nothing went out yet
            self._break_off()
            why = f"{self._where} took nothing: {cause_of(error)}"
            return Hand("server", why, is_login=is_refused_login(error))
        if code not in TAKEN:
            return self._not_taken(server, code, answer)
        return self._data(server, written)

    def _opened(self) -> smtplib.SMTP:
        if self.is_left:
            raise TimeoutError
        if self._server is None:
            server = connect(self._settings, self._answer)
            try:
                secure(server, self._settings, self._password)
                server.ehlo_or_helo_if_needed()
            except (OSError, smtplib.SMTPException):
                server.close()
                raise
            self._server, self._n_sent = server, 0
        return self._server

    def _not_taken(self, server: smtplib.SMTP, code: int, answer: bytes) -> Hand:
        """Say what a refusal of the recipient comes to, and clear the way for the next."""
        if code == _CLOSING:
            self._break_off()
            return Hand("server", f"{self._where} is closing (code {code})")
        try:
            server.rset()
        except (OSError, smtplib.SMTPException):
            self._break_off()
        why = f"the recipient was refused with code {code}"
        if code < _PERMANENT:
            return Hand("later", why)
        # by the enhanced code alone: 550 by itself is as often said of the sender
        return Hand("refused", why, is_bounce=answer.lstrip().startswith(_BAD_MAILBOX))

    def _data(self, server: smtplib.SMTP, written: bytes) -> Hand:
        try:
            code, _ = server.docmd("DATA")
        except (OSError, smtplib.SMTPException) as error:
            self._break_off()
            return Hand("server", f"{self._where} took nothing: {cause_of(error)}")
        if code != _GO_ON:
            return self._unsent(server, code)
        try:
            server.send(_DOT.sub(b"..", written) + b".\r\n")
            code, _ = server.getreply()
        except (OSError, smtplib.SMTPException) as error:
            self._break_off()
            why = f"{self._where} gave no answer to the message: {cause_of(error)}"
            return Hand("in doubt", why)
        self._n_sent += 1
        return Hand("sent") if code == 250 else self._unsent(server, code)

    def _unsent(self, server: smtplib.SMTP, code: int) -> Hand:
        if code == _CLOSING:
            self._break_off()
            return Hand("server", f"{self._where} is closing (code {code})")
        with suppress(OSError, smtplib.SMTPException):
            server.rset()
        why = f"the message was refused with code {code}"
        return Hand("later" if code < _PERMANENT else "refused", why)
