"""Where a redirect may lead: the same host, or one that the source documents."""

from __future__ import annotations

from collections.abc import Collection
from urllib.parse import urljoin, urlsplit

from jobs.sources.source import RefusedError

_PORTS = {"http": 80, "https": 443}


def next_address(url: str, location: str, allowed_hosts: Collection[str]) -> str:
    """Return the address to ask next.

    Parameters
    ----------
    url
        The address that redirects.
    location
        What its Location header says; may be relative.
    allowed_hosts
        Other hosts, as ``host`` or ``host:port``, to which it may lead.

    Raises
    ------
    RefusedError
        If it leads nowhere, to a host that the source does not name, or out of a secure connection.
    """
    if not location:
        raise RefusedError("it redirects without saying where to")
    target = urljoin(url, location)
    old, new = urlsplit(url), urlsplit(target)
    if new.scheme not in _PORTS or (old.scheme == "https" and new.scheme != "https"):
        raise RefusedError(f"it redirects to {new.scheme or 'nothing'}, which is not secure")
    # from http to https on the same host the port changes with the scheme
    same = new.hostname == old.hostname and (
        _port(new.scheme, new.port) == _port(old.scheme, old.port)
        or (old.scheme, new.scheme) == ("http", "https")
    )
    if not same and new.netloc.rpartition("@")[2] not in allowed_hosts:
        raise RefusedError(
            f"it redirects to the host {new.hostname}, which its documentation does not name; if "
            "it has moved, set its new address in practice.toml"
        )
    return target


def _port(scheme: str, port: int | None) -> int:
    return port or _PORTS[scheme]
