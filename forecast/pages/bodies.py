"""Reading what is sent: within a number of bytes, and within a time."""

from __future__ import annotations

import asyncio

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import Message

from forecast.pages.page import Page, PageError

_MOST_FILES = 20
_MOST_FIELDS = 5_000
_SILENCE_SECONDS = 30.0  # between two pieces of a body


class TooLargeError(PageError):
    """What was sent is larger than the page takes."""

    status = 413


class TooSlowError(PageError):
    """What was sent did not come in time."""

    status = 408


async def read_form(request: Request, page: Page) -> FormData:
    """Read a form; its files are closed by whoever asked.

    Raises
    ------
    PageError
        If it is larger than the page takes, comes too slowly or is no form.
    """
    told = request.headers.get("content-length", "")
    if told.isdigit() and int(told) > page.max_bytes:
        raise _too_large(page)
    counted = Request(request.scope, _Counting(request, page))
    try:
        return await counted.form(
            max_files=_MOST_FILES, max_fields=_MOST_FIELDS, max_part_size=page.max_bytes
        )
    except HTTPException:
        raise PageError(
            "what was sent is not a whole form; open the page again and send it from there"
        ) from None


class _Counting:
    """Hands on the pieces of a body, and refuses to go on where it should end."""

    def __init__(self, request: Request, page: Page) -> None:
        self._receive, self._page, self._n_bytes = request.receive, page, 0

    async def __call__(self) -> Message:
        try:
            message = await asyncio.wait_for(self._receive(), _SILENCE_SECONDS)
        except TimeoutError:
            raise TooSlowError(
                f"nothing more came for {_SILENCE_SECONDS:.0f} s, so what was sent is not whole "
                "and was not taken; send it again"
            ) from None
        self._n_bytes += len(message.get("body", b""))
        if self._n_bytes > self._page.max_bytes:
            raise _too_large(self._page)
        return message


def _too_large(page: Page) -> TooLargeError:
    allowed = page.max_bytes
    words = f"{allowed // 1024:,} kB" if allowed < 2**20 else f"{allowed // 2**20:,} MB"
    return TooLargeError(
        f"what was sent is larger than the {words} that are taken here; nothing was kept"
    )
