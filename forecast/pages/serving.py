"""The application: who asks, may they, what the handler answers, in which form.

Every route is a `Page` of a desk's module; nothing is reachable that is not listed here. A handler
runs in a worker thread. What is refused is one sentence on a page, never a traceback.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from forecast.pages.answering import as_csv, as_html, as_json
from forecast.pages.door import Door, Sitting
from forecast.pages.opened import OpenedPractice
from forecast.pages.outside import Outside
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from models.errors import ForepawError

Endpoint = Callable[[Request], Awaitable[Response]]


def build_app(
    opened: OpenedPractice, pages: Sequence[Page], *, door: Door, outside: Outside
) -> Starlette:
    """Return the application of one practice, with its door in front of every page."""
    routes: list[BaseRoute] = []
    for page in pages:
        suffixes = ("", ".json", ".csv") if page.has_data else ("",)
        for suffix in suffixes:
            endpoint = _endpoint(opened, page, suffix, door=door, outside=outside)
            methods = list(page.methods)
            routes.append(Route(page.path + suffix, endpoint, methods=methods, name=page.name))
    static = Path(__file__).parent / "static"
    routes.append(Mount("/static", StaticFiles(directory=static), name="static"))
    return Starlette(
        routes=routes,
        middleware=door.middleware(),
        exception_handlers={404: _not_found(door)},
    )


def _endpoint(
    opened: OpenedPractice, page: Page, suffix: str, *, door: Door, outside: Outside
) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        sitting = await run_in_threadpool(door.who, request, opened)
        refusal = door.refusal(request, page, sitting)
        if refusal is not None:
            return refusal
        try:
            form = await door.form(request, page)
            asked = Asked(
                request,
                opened.practice(),
                opened.records,
                opened.climate,
                outside,
                sitting.account,
                form,
            )
            answer = await run_in_threadpool(page.handler, asked)
            return await run_in_threadpool(_reply, answer, request, suffix, door, sitting)
        except PageError as refused:
            return door.refused(request, sitting, str(refused), refused.status)
        except ForepawError as refused:
            return door.refused(request, sitting, str(refused), 400)

    return endpoint


def _reply(answer: Any, request: Request, suffix: str, door: Door, sitting: Sitting) -> Response:
    if isinstance(answer, Response):
        return answer
    if isinstance(answer, GoTo):
        return door.remember(RedirectResponse(answer.path, 303), sitting, answer.said)
    assert isinstance(answer, View)
    if suffix == ".json":
        return as_json(answer)
    if suffix == ".csv":
        return as_csv(answer, request.query_params.get("table"))
    return as_html(answer, **door.around(request, sitting))


def _not_found(door: Door) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, _: Exception) -> Response:
        return door.refused(
            request, Sitting(None), "there is no page at this address", NotFoundError.status
        )

    return handler
