"""Mail: a message handed to the practice's own mail server (SMTP, RFC 5321)."""

from __future__ import annotations

import base64
import smtplib
import ssl
from collections.abc import Sequence
from contextlib import suppress
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime
from functools import partial

from forecast.records.notices import FAILED, NOT_KNOWN, TOLD
from forecast.settings_notices import MailSection, MailServerSection
from jobs.channels.message import Message, Outcome

_LOGGED_IN = 235  # RFC 4954 section 6
TAKEN = (250, 251, 252)  # a recipient's answer: fine, will be forwarded, will be tried


def send_mail(
    message: Message,
    settings: MailSection,
    *,
    password: str | None,
    sender_name: str,
    timeout: float,
) -> Outcome:
    """Hand a message over; each word of the server may take `timeout` seconds.

    Certificates are checked against the machine's, or the file that SSL_CERT_FILE names.
    """
    where = f"the mail server {settings.host}:{settings.port}"
    try:
        server = connect(settings, timeout)
    except (OSError, smtplib.SMTPException) as error:
        return Outcome(FAILED, f"{where} could not be reached: {cause_of(error)}")
    try:
        try:
            secure(server, settings, password)
            n_refused = _envelope(server, settings)
        except (OSError, smtplib.SMTPException) as error:
            return Outcome(FAILED, f"{where} did not take the message: {cause_of(error)}")
        return _hand_over(server, _written(message, settings, sender_name), where, n_refused)
    finally:
        # it was taken or not by now; a good-bye that fails changes nothing
        with suppress(OSError, smtplib.SMTPException):
            server.quit()
        server.close()


def connect(settings: MailServerSection, timeout: float) -> smtplib.SMTP:
    """Open a connection to a mail server."""
    if settings.security == "tls":
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(settings.host, settings.port, timeout=timeout, context=context)
    return smtplib.SMTP(settings.host, settings.port, timeout=timeout)


def secure(server: smtplib.SMTP, settings: MailServerSection, password: str | None) -> None:
    """Turn to TLS and log in, as the settings ask."""
    if settings.security == "starttls":
        server.starttls(context=ssl.create_default_context())
    if settings.user is not None:
        _log_in(server, settings.user, password or "")


class _LoginError(smtplib.SMTPException):
    """The server hung up at the login; some do so where a password is wrong."""


def _log_in(server: smtplib.SMTP, user: str, password: str) -> None:
    log_in = server.login if (user + password).isascii() else partial(_log_in_plain, server)
    try:
        log_in(user, password)
    except smtplib.SMTPServerDisconnected as error:
        raise _LoginError from error


def _log_in_plain(server: smtplib.SMTP, user: str, password: str) -> None:
    """Log in by PLAIN, which is UTF-8 (RFC 4616 section 2); smtplib itself writes ASCII alone."""
    server.ehlo_or_helo_if_needed()
    if "PLAIN" not in server.esmtp_features.get("auth", "").split():
        raise smtplib.SMTPNotSupportedError
    said = base64.b64encode(f"\0{user}\0{password}".encode()).decode("ascii")
    code, answer = server.docmd("AUTH", f"PLAIN {said}")
    if code != _LOGGED_IN:
        raise smtplib.SMTPAuthenticationError(code, answer)


def _envelope(server: smtplib.SMTP, settings: MailSection) -> int:
    """Name sender and recipients; return how many were refused, and fail where all were."""
    server.ehlo_or_helo_if_needed()
    code, answer = server.mail(settings.sender)
    if code != 250:
        raise smtplib.SMTPSenderRefused(code, answer, settings.sender)
    codes = [server.rcpt(address)[0] for address in settings.to]
    refused = [code for code in codes if code not in TAKEN]
    if len(refused) == len(codes):
        raise smtplib.SMTPResponseException(refused[0], b"no recipient was taken")
    return len(refused)


def _hand_over(server: smtplib.SMTP, written: bytes, where: str, n_refused: int) -> Outcome:
    try:
        code, _ = server.data(written)
    except smtplib.SMTPDataError as error:
        return Outcome(FAILED, f"{where} did not take the message: {cause_of(error)}")
    except (OSError, smtplib.SMTPException) as error:
        return Outcome(NOT_KNOWN, f"{where} gave no answer to the message: {cause_of(error)}")
    if code != 250:
        return Outcome(FAILED, f"{where} refused the message with code {code}")
    return Outcome(TOLD, f"{where} refused {n_refused} of the recipients" if n_refused else None)


def _written(message: Message, settings: MailSection, sender_name: str) -> bytes:
    mail = EmailMessage(policy=SMTP_POLICY)
    mail["Subject"] = message.subject
    mail["From"] = Address(sender_name, addr_spec=settings.sender)
    mail["To"] = _addresses(settings.to)
    mail["Date"] = format_datetime(message.written_at)
    mail["Message-ID"] = f"<{message.id}@{settings.sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers
    mail.set_content(message.text)
    return mail.as_bytes()


def _addresses(listed: Sequence[str]) -> tuple[Address, ...]:
    return tuple(Address(addr_spec=address) for address in listed)


def is_refused_login(error: Exception) -> bool:
    """Say whether a server took no login: until somebody mends it, it takes none."""
    return isinstance(error, (smtplib.SMTPAuthenticationError, _LoginError))


def cause_of(error: Exception) -> str:
    """Say what went wrong without the server's own words, which may repeat addresses."""
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"it refused the login (code {error.smtp_code})"
    if isinstance(error, _LoginError):
        return "it broke the connection off at the login"
    if isinstance(error, smtplib.SMTPResponseException):
        return f"it answered with code {error.smtp_code}"
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return "it does not offer what the settings ask for (TLS or a login)"
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return "it broke the connection off"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted ({error.verify_message})"
    if isinstance(error, ssl.SSLError):
        return "it does not speak TLS there"
    if isinstance(error, TimeoutError):
        return "it took too long"
    if isinstance(error, ValueError):
        return "what was to be said to it has signs that it cannot take"
    return str(getattr(error, "strerror", None) or type(error).__name__).lower()
