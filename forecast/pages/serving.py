"""The application: who asks, may they, what the handler answers, in which form.

Every route is a `Page` of a desk's module; nothing is reachable that is not listed here. A handler
runs in a worker thread. What is refused is one sentence on a page, never a traceback.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from forecast.pages.answering import as_csv, as_html, as_json
from forecast.pages.door import Door
from forecast.pages.guard import FAULT
from forecast.pages.opened import OpenedPractice
from forecast.pages.outside import Outside
from forecast.pages.page import Asked, GoTo, Page, PageError, View
from forecast.pages.sitting import STRANGER, Sitting
from forecast.practice import PracticeError
from models.errors import ForepawError

log = logging.getLogger("forepaw.pages")
Endpoint = Callable[[Request], Awaitable[Response]]
_SENTENCES = {
    404: "there is no page at this address",
    405: "this address does not take what was sent to it",
}
_NO_SETTINGS = (
    "the settings of this practice cannot be read as they stand now, so no page can be shown; "
    "whoever keeps this service finds what is wrong by `forepaw doctor`"
)


def build_app(
    opened: OpenedPractice, pages: Sequence[Page], *, door: Door, outside: Outside
) -> Starlette:
    """Return the application of one practice, with its door in front of every page."""
    door.open(opened, pages)
    routes: list[BaseRoute] = []
    for page in pages:
        # the bare address last: a part in braces would take a suffix for its own
        suffixes = (".json", ".csv", "") if page.has_data else ("",)
        for suffix in suffixes:
            endpoint = _endpoint(opened, page, suffix, door=door, outside=outside)
            methods, name = list(page.methods), f"{page.name}{suffix}"
            routes.append(Route(address_of(page, suffix), endpoint, methods=methods, name=name))
    static = Path(__file__).parent / "static"
    routes.append(Mount("/static", StaticFiles(directory=static), name="static"))
    return Starlette(
        routes=routes,
        middleware=door.middleware(),
        exception_handlers={HTTPException: _no_page(door, opened)},
    )


def address_of(page: Page, suffix: str = "") -> str:
    """Return the address of a page, or of its data: ``/`` has none to put a suffix behind."""
    return f"/{page.name}{suffix}" if page.path == "/" and suffix else f"{page.path}{suffix}"


def _endpoint(
    opened: OpenedPractice, page: Page, suffix: str, *, door: Door, outside: Outside
) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        sitting, form = STRANGER, None
        try:
            sitting = await run_in_threadpool(door.who, request, opened)
            request.state.sitting = sitting
            refusal = door.refusal(request, page, sitting)
            if refusal is not None:
                return refusal
            form = await door.form(request, page)
            asked = Asked(
                request,
                opened.practice(),
                opened.records,
                opened.climate,
                outside,
                sitting.account,
                form,
                sitting,
                door.addresses.public,
            )
            answer = await run_in_threadpool(page.handler, asked)
            return await run_in_threadpool(_reply, answer, request, suffix, door, opened)
        except PageError as refused:
            return door.refused(request, sitting, str(refused), refused.status)
        except PracticeError:  # what stands in practice.toml is nothing for strangers
            return door.refused(request, sitting, _NO_SETTINGS, 503)
        except ForepawError as refused:
            return door.refused(request, sitting, str(refused), 400)
        except Exception:
            log.exception("a page failed", extra={"forepaw_fields": {"page": page.name}})
            return door.refused(request, sitting, FAULT, 500)
        finally:
            if isinstance(form, FormData):
                await form.close()

    return endpoint


def _reply(
    answer: Any, request: Request, suffix: str, door: Door, opened: OpenedPractice
) -> Response:
    sitting: Sitting = request.state.sitting
    if isinstance(answer, Response):
        return answer
    if isinstance(answer, GoTo):
        going = RedirectResponse(answer.path, 303)
        if answer.session is not None:
            sitting = door.hand_over(going, answer.session, answer.browser, opened)
        return door.remember(going, sitting, answer.said)
    assert isinstance(answer, View)
    if suffix == ".json":
        return as_json(answer)
    if suffix == ".csv":
        return as_csv(answer, request.query_params.get("table"))
    if answer.session is None:
        return as_html(answer, **door.around(request, sitting))
    carried = Response()
    sitting = door.hand_over(carried, answer.session, None, opened)
    shown = as_html(answer, **door.around(request, sitting))
    for cookie in carried.headers.getlist("set-cookie"):
        shown.headers.append("set-cookie", cookie)
    return shown


def _no_page(
    door: Door, opened: OpenedPractice
) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        sentence = _SENTENCES.get(error.status_code, "this cannot be answered as it was asked")
        try:
            sitting = await run_in_threadpool(door.who, request, opened)
        except ForepawError:
            sitting = STRANGER
        return door.refused(request, sitting, sentence, error.status_code)

    return handler
