"""The section of practice.toml that says where the pages are to be had."""

from __future__ import annotations

import re
from ipaddress import ip_address, ip_network

from pydantic import Field, field_validator, model_validator

from forecast.settings_notices import is_this_machine
from forecast.settings_sections import Section

_ORIGIN = re.compile(r"^https?://(\[[0-9a-f:]+\]|[a-z0-9.-]+)(:\d{1,5})?$")


class PagesSection(Section):
    """Where the pages are bound to, and how browsers call them.

    Attributes
    ----------
    address, port
        What is bound to; by default this machine alone.
    public_address
        What stands in a browser's address bar, up to the host or its port. By default that is this
        machine's own.
    trusted_proxies
        Addresses or networks of reverse proxies, whose word on who calls is taken.
    """

    address: str = "127.0.0.1"
    port: int = Field(default=8400, ge=1, le=65535)
    public_address: str | None = None
    trusted_proxies: tuple[str, ...] = Field(default=(), strict=False)

    @field_validator("address")
    @classmethod
    def _is_an_address(cls, value: str) -> str:
        try:
            ip_address(value)
        except ValueError:
            raise ValueError('it must be an address of this machine, such as "127.0.0.1"') from None
        return value

    @field_validator("public_address")
    @classmethod
    def _is_an_origin(cls, value: str | None) -> str | None:
        if value is None:
            return None
        found = _ORIGIN.match(value)
        if found is None:
            raise ValueError(
                "it must be an address in lower case such as https://forepaw.practice.example, "
                "with nothing behind the host or its port"
            )
        if value.startswith("http://") and not is_this_machine(found[1].strip("[]")):
            raise ValueError(
                "it must begin with https://, as passwords are sent to it; http:// is for this "
                "machine alone"
            )
        return value

    @field_validator("trusted_proxies")
    @classmethod
    def _are_addresses(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for one in value:
            try:
                ip_network(one)
            except ValueError:
                raise ValueError(
                    f"{one!r} is no address of a proxy; write one such as 10.0.0.2 or a network "
                    "such as 10.0.0.0/24"
                ) from None
        return value

    @model_validator(mode="after")
    def _is_not_open_in_plain_text(self) -> PagesSection:
        if not ip_address(self.address).is_loopback and self.public_address is None:
            raise ValueError(
                "the pages are bound to an address that others reach, so set public_address to the "
                "https:// address of the proxy in front of them, and name it in trusted_proxies"
            )
        return self
