"""One line of log for each answer: which page, how it ended, how long it took.

The page is told by its route, such as ``/regions/{region}``: an address may hold a secret, as that
of a one-time link does, and what stands behind its question mark anything that somebody typed.
"""

from __future__ import annotations

import logging
import time

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from jobs.logs import logger, tell

log = logger("pages")
_NO_PAGE = "none"
_FAULT = 500


class AccessLog:
    """Stands outermost and tells what was answered."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, and tell of it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began, status, n_bytes = time.monotonic(), None, 0

        async def noting(message: Message) -> None:
            nonlocal status, n_bytes
            if message["type"] == "http.response.start":
                status = message["status"]
            n_bytes += len(message.get("body", b""))
            await send(message)

        try:
            await self._app(scope, receive, noting)
        finally:
            page = getattr(scope.get("route"), "path", _NO_PAGE)
            is_fault = status is None or status >= _FAULT
            tell(
                log,
                "answered" if status is not None else "not answered",
                level=logging.ERROR if is_fault else _level(page),
                method=scope["method"] if scope["method"] in _METHODS else "other",
                page=page,
                status=status,
                bytes=n_bytes,
                milliseconds=round(1000 * (time.monotonic() - began)),
            )


_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")


def _level(page: str) -> int:
    return logging.DEBUG if page == "/static" else logging.INFO
