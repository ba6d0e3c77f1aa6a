"""One connection of a browser: who opens it and sends no whole request is let go after a while.

uvicorn waits for ever for the first request, and for the end of its headers.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

from models.parameters import load_table

HEADERS_WITHIN = load_table("jobs.web", "web.toml").number("web.headers_within")  # s


class Connection(H11Protocol):
    """A connection over HTTP/1.1 whose headers have to come within a time."""

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take in a piece; wait on while it does not complete the headers."""
        super().data_received(data)
        if self._is_answering:
            self._wait_no_more()
        elif self._timer is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._wait_no_more()
        super().connection_lost(exc)

    @property
    def _is_answering(self) -> bool:
        cycle: Any = self.cycle
        return cycle is not None and not cycle.response_complete

    def _wait(self) -> None:
        self._timer = self.loop.call_later(HEADERS_WITHIN, self._give_up)

    def _wait_no_more(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _give_up(self) -> None:
        self._timer = None
        if not self._is_answering:
            self.transport.close()
