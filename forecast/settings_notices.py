"""The section of practice.toml that says how a person hears of what goes wrong."""

from __future__ import annotations

import re
from ipaddress import ip_address
from typing import Literal

from pydantic import Field, field_validator, model_validator

from forecast.settings_sections import Section

_ADDRESS = re.compile(r"^[^@\s<>,;:\"()\[\]\\]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*$")


class MailServerSection(Section):
    """A mail server and how it is spoken to; its password is never written here.

    "starttls" begins in plain text and turns to TLS before anything else is said, "tls" begins
    with it. "none" is for a server on this machine, or one that asks for no login.
    """

    sender: str = Field(alias="from")
    host: str = Field(min_length=1)
    port: int = Field(default=587, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = Field(default=None, min_length=1)

    @field_validator("sender")
    @classmethod
    def _one_address(cls, value: str) -> str:
        check_mail_address(value)
        return value

    @model_validator(mode="after")
    def _no_password_in_plain_text(self) -> MailServerSection:
        if self.user is not None and self.security == "none" and not is_this_machine(self.host):
            raise ValueError(
                'a login goes out over a connection that is not secured; set security to "starttls"'
                ' or "tls", or leave user out'
            )
        return self


class MailSection(MailServerSection):
    """A mail server that takes the notices."""

    to: tuple[str, ...] = Field(strict=False)

    @field_validator("to")
    @classmethod
    def _somebody(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("it must list at least one mail address")
        for address in value:
            check_mail_address(address)
        return value


class WebhookSection(Section):
    """A web address that takes the notices, signed. Not given, it is among the secrets.

    An address that is a secret itself does not belong here, as this text is kept with every
    forecast.
    """

    url: str | None = None

    @field_validator("url")
    @classmethod
    def _is_a_web_address(cls, value: str | None) -> str | None:
        if value is not None:
            check_web_address(value)
        return value


class NoticesSection(Section):
    """The ways in which a person is told; none: the notices are shown by commands alone."""

    mail: MailSection | None = None
    webhook: WebhookSection | None = None


def check_web_address(value: str) -> None:
    """Refuse what is no web address, carries a login, or leaves this machine unsecured.

    Raises
    ------
    ValueError
        If it is one of these; the text does not repeat the address.
    """
    found = re.match(r"^(https?)://(\[[0-9a-fA-F:]+\]|[^/?#@:\s\[\]]+)(:\d+)?(/[^#\s]*)?$", value)
    if found is None:
        raise ValueError("it must be a web address such as https://host/path, without a login")
    if found[1] == "http" and not is_this_machine(found[2].strip("[]")):
        raise ValueError("it must begin with https://; http:// is for this machine alone")


def is_this_machine(host: str) -> bool:
    """Whether a host is this machine by name or address."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def check_mail_address(address: str) -> None:
    """Refuse what is no plain mail address.

    Raises
    ------
    ValueError
        If it is none.
    """
    if _ADDRESS.match(address) is None or not (address.isascii() and address.isprintable()):
        raise ValueError(
            f"{address!r} is not a mail address that every server takes; it must be one such as "
            "office@practice.example"
        )
