"""The door in front of every page: who sits there, may they, and what every page is given.

Sign-in, sessions, origins, headers and limits meet the web here; who people are and what they may
is `forecast.accounts`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response

from forecast.accounts.person import Account
from forecast.pages.opened import OpenedPractice
from forecast.pages.page import Page


@dataclass(frozen=True)
class Sitting:
    """Who asks, and what the last form wants said; `account` is None for a stranger."""

    account: Account | None
    said: str = ""


class Door:
    """What stands in front of the pages of one installation; the contract `serving` rests on."""

    def middleware(self) -> list[Middleware]:
        """Return headers, hosts, origins and limits, outermost first."""
        raise NotImplementedError

    def who(self, request: Request, opened: OpenedPractice) -> Sitting:
        """Say who asks, by the session's cookie."""
        raise NotImplementedError

    def refusal(self, request: Request, page: Page, sitting: Sitting) -> Response | None:
        """Return what to answer instead of a page they may not see; None if they may."""
        raise NotImplementedError

    async def form(self, request: Request, page: Page) -> Mapping[str, Any]:
        """Read a form within the page's limit."""
        raise NotImplementedError

    def remember(self, response: Response, sitting: Sitting, said: str) -> Response:
        """Have a sentence shown once on the page that follows."""
        raise NotImplementedError

    def around(self, request: Request, sitting: Sitting) -> dict[str, Any]:
        """Return what every template is given besides its page: who, where, what was said."""
        raise NotImplementedError

    def refused(self, request: Request, sitting: Sitting, sentence: str, status: int) -> Response:
        """Show a refusal as a page of its own, or as JSON where that was asked."""
        raise NotImplementedError
