"""From the id of a source to the file that speaks with it, and from a wish to raw replies."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from importlib import import_module
from typing import cast

from jobs.sources.source import (
    Place,
    RawReply,
    RefusedError,
    Request,
    Service,
    Source,
    SourceSettings,
)


def service(source: Source) -> Service:
    """Return the file of this room that speaks with a source."""
    return cast(Service, import_module(f"jobs.sources.{source.client}"))


def set_up(source: Source, settings: SourceSettings) -> Source:
    """Return the source as this practice uses it: its address, and limits that go with a key.

    Raises
    ------
    RefusedError
        If the practice may not use it so, or lacks what it needs; the sentence tells the terms.
    """
    own = getattr(service(source), "set_up", None)
    if own is not None:
        return cast(Source, own(source, settings))
    if settings.base_url is None:
        return source
    return replace(source, base_url=settings.base_url.rstrip("/"), redirect_hosts=())


def replies(
    get: Callable[[Request], RawReply],
    source: Source,
    places: Sequence[Place],
    first: date,
    last: date,
    settings: SourceSettings,
) -> Iterator[RawReply]:
    """Ask for places and days, and give the replies to be parsed, one by one as they come.

    A listing is asked first and what follows from it next; it is not given out. `source` is what
    `set_up` returned, `get` the session's.
    """
    client = service(source)
    waiting = deque(client.requests(source, places, first, last, settings))
    while waiting:
        request = waiting.popleft()
        reply = get(request)
        if request.role == "data":
            yield reply
            continue
        follow_up = getattr(client, "follow_up", None)
        if follow_up is None:
            raise RefusedError(f"{source.name}: a listing came that nothing reads")
        waiting.extendleft(reversed(follow_up(source, reply, settings)))
