"""How browsers may call this service: its hosts, and the origins that forms may come from."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from forecast.settings_pages import PagesSection

_LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
_USUAL_PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True)
class Addresses:
    """The addresses of an installation.

    Attributes
    ----------
    public
        What links and cookies are made for, such as ``https://forepaw.practice.example``.
    origins
        From which forms are taken.
    hosts
        Which a request may name, with a port where it is not the usual one. This machine's own are
        among them always, as no page elsewhere can make a browser say them.
    """

    public: str
    origins: frozenset[str]
    hosts: frozenset[str]

    @property
    def is_secure(self) -> bool:
        """Whether browsers come over TLS."""
        return self.public.startswith("https://")


def addresses(section: PagesSection, *, port: int | None = None) -> Addresses:
    """Return the addresses that the settings give; `port` is what was bound to, if another."""
    bound = section.port if port is None else port
    own = [_origin(f"http://{host}:{bound}") for host in _LOOPBACK]
    public = own[0] if section.public_address is None else _origin(section.public_address)
    origins = own if section.public_address is None else [public]
    hosts = {urlsplit(origin).netloc for origin in [*own, public]}
    return Addresses(public, frozenset(origins), frozenset(hosts))


def _origin(address: str) -> str:
    """Return an address as browsers name origins: without the port where it is the usual one."""
    parts = urlsplit(address)
    usual = f":{_USUAL_PORTS[parts.scheme]}"
    return f"{parts.scheme}://{parts.netloc.removesuffix(usual)}"
