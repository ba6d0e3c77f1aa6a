"""The server: binds, tells that it listens, answers until it is told to end."""

from __future__ import annotations

import logging
import signal
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from ipaddress import ip_address
from pathlib import Path
from types import FrameType

import uvicorn

from forecast.pages.addresses import addresses
from forecast.pages.opened import OpenedPractice, utc_now
from forecast.pages.warming import begin_to_warm
from forecast.practice import Practice
from forecast.settings_pages import PagesSection
from jobs.logs import logger, tell
from jobs.web.access_log import AccessLog
from jobs.web.application import ChangePages, application
from jobs.web.connection import Connection
from models.errors import ForepawError
from models.parameters import ParameterTable, load_table

log = logger("pages")


class WebError(ForepawError):
    """The pages cannot be served as the settings say."""


@dataclass(frozen=True)
class Listening:
    """What listens: the practice, its public address, what it is bound to."""

    opened: OpenedPractice
    public_address: str
    address: str
    port: int

    @property
    def practice(self) -> Practice:
        """The practice as it stands now."""
        return self.opened.practice()


def run_web(
    folder: Path,
    *,
    ready: Callable[[Listening], None],
    port: int | None = None,
    now: Callable[[], datetime] = utc_now,
    change_pages: ChangePages | None = None,
) -> int:
    """Serve the pages of a practice until told to end (SIGTERM or SIGINT); return the exit code.

    Parameters
    ----------
    ready
        Hears once browsers can come.
    port
        Another than that of practice.toml; 0 for any that is free.
    now
        Tells the moment of each request.
    change_pages
        Gives other pages in place of those of every practice; the demo has one of its own.

    Raises
    ------
    ForepawError
        If the practice cannot be opened, or its address cannot be bound.
    """
    opened = OpenedPractice(folder, now=now)
    try:
        settings = opened.practice().settings.pages
        with listen(settings, settings.port if port is None else port) as listener:
            bound = listener.getsockname()[1]
            known_as = addresses(settings, port=bound)
            app = AccessLog(application(opened, known_as, change_pages=change_pages))
            listening = Listening(opened, known_as.public, settings.address, bound)
            end_warming = begin_to_warm(opened)
            try:
                return _serve(app, listener, settings, lambda: ready(listening))
            finally:
                end_warming()
    finally:
        opened.close()


def listen(settings: PagesSection, port: int) -> socket.socket:
    """Bind to the address of the settings; `port` 0 for any that is free."""
    family = socket.AF_INET6 if ip_address(settings.address).version == 6 else socket.AF_INET
    waiting = int(_table().number("web.waiting_connections"))
    try:
        return socket.create_server((settings.address, port), family=family, backlog=waiting)
    except OSError as error:
        raise WebError(
            f"the pages were to listen on {settings.address}, port {port}, and cannot: "
            f"{(error.strerror or 'no reason given').lower()}; name another under [pages] in "
            "practice.toml, or end what listens there"
        ) from None


def configuration(app: AccessLog, settings: PagesSection) -> uvicorn.Config:
    """Return how the server is set up: what it bears, whom it believes, that it tells no name."""
    table = _table()
    return uvicorn.Config(
        app,
        loop="asyncio",
        http=Connection,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=bool(settings.trusted_proxies),
        forwarded_allow_ips=list(settings.trusted_proxies),
        limit_concurrency=int(table.number("web.most_connections")),
        timeout_keep_alive=int(table.number("web.keep_alive")),
        timeout_graceful_shutdown=int(table.number("web.end_within")),
        h11_max_incomplete_event_size=int(table.number("web.header_bytes")),
    )


def _serve(
    app: AccessLog, listener: socket.socket, settings: PagesSection, ready: Callable[[], None]
) -> int:
    server = _Server(configuration(app, settings), ready)

    def told_to_end(number: int, frame: FrameType | None) -> None:
        """End well; uvicorn raises the signal again once it has, for whoever waits for it."""
        server.should_exit = True

    before = {one: signal.signal(one, told_to_end) for one in (signal.SIGTERM, signal.SIGINT)}
    try:
        server.run(sockets=[listener])
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    tell(log, "ended", level=logging.INFO)
    sys.stderr.flush()
    return 0 if server.started else 1


class _Server(uvicorn.Server):
    """uvicorn's server, which says once it listens."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen, and say so."""
        await super().startup(sockets)
        if self.started:
            self._ready()


def _table() -> ParameterTable:
    return load_table("jobs.web", "web.toml")
