"""A mail server of this machine for tests: it takes mail as told, and can be made to fail."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword

CERTIFICATE = Path(__file__).parents[1] / "sources" / "certificate_valid.pem"
EXPIRED = CERTIFICATE.with_name("certificate_expired.pem")


@dataclass
class Taken:
    """What the server took, and the answers it gives."""

    mails: list[EmailMessage] = field(default_factory=list)
    recipients: list[list[str]] = field(default_factory=list)
    logins: list[tuple[str, str]] = field(default_factory=list)
    answer_to_recipient: Callable[[str], str] = lambda address: "250 OK"
    answer_to_data: str = "250 OK"
    password: str = "right horse"

    async def handle_RCPT(self, server, session, envelope: Envelope, address, options) -> str:  # noqa: N802
        """Answer to a recipient."""
        answer = self.answer_to_recipient(address)
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server, session, envelope: Envelope) -> str:  # noqa: N802
        """Take a mail."""
        if self.answer_to_data.startswith("250"):
            mail = message_from_bytes(envelope.content, policy=policy.default)
            assert isinstance(mail, EmailMessage)
            self.mails.append(mail)
            self.recipients.append(list(envelope.rcpt_tos))
        return self.answer_to_data

    def log_in(self, server, session, envelope, mechanism, data) -> AuthResult:
        """Take one password alone."""
        assert isinstance(data, LoginPassword)
        self.logins.append((data.login.decode(), data.password.decode()))
        return AuthResult(success=data.password.decode() == self.password)


class _Server(Controller):
    """One that does not warn of a login without TLS where all of it is within TLS."""

    def factory(self):
        """Answer one caller."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            return super().factory()


def _context(certificate: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    return context


@contextlib.contextmanager
def mail_server(
    *, security: str = "none", certificate: Path = CERTIFICATE, login: bool = False
) -> Iterator[tuple[Taken, int]]:
    """Run a server; give what it takes, and its port."""
    taken = Taken()
    options: dict = {}
    if security == "tls":
        options["ssl_context"] = _context(certificate)
    if security == "starttls":
        options |= {"tls_context": _context(certificate), "require_starttls": True}
    if login:
        options |= {"authenticator": taken.log_in, "auth_required": True}
        # it knows of TLS that it was asked for alone; where all is within TLS, nobody asks
        options |= {"auth_require_tls": security == "starttls"}
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = _Server(taken, hostname="127.0.0.1", port=port, **options)
    controller.start()
    try:
        yield taken, port
    finally:
        controller.stop()


@contextlib.contextmanager
def rough_server(
    talk: Callable[[socket.socket], None],
    *,
    certificate: Path | None = None,
    address: str = "127.0.0.1",
) -> Iterator[int]:
    """Run a server that talks to each caller as told, within TLS if so; give its port."""
    listening = socket.create_server((address, 0))
    ended = threading.Event()
    context = None if certificate is None else _context(certificate)

    def serve() -> None:
        while not ended.is_set():
            with contextlib.suppress(OSError):
                caller, _ = listening.accept()
                caller.settimeout(5)
                with caller if context is None else _within_tls(context, caller) as line:
                    talk(line)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listening.getsockname()[1]
    finally:
        ended.set()
        listening.shutdown(socket.SHUT_RDWR)
        listening.close()
        thread.join(5)


def _within_tls(context: ssl.SSLContext, caller: socket.socket) -> ssl.SSLSocket:
    return context.wrap_socket(caller, server_side=True)


def polite_until(word: bytes, then: Callable[[socket.socket], None]) -> Callable:
    """Talk SMTP until a line begins with a word; after it do something else."""

    def talk(caller: socket.socket) -> None:
        lines = caller.makefile("rb")
        caller.sendall(b"220 here\r\n")
        in_data = False
        for line in lines:
            if line.split(b" ")[0].strip().upper() == word:
                then(caller)
                return
            if not in_data:
                in_data = line.upper().startswith(b"DATA")
                caller.sendall(b"354 go on\r\n" if in_data else b"250 OK\r\n")

    return talk
