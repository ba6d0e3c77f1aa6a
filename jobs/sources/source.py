"""What every source is made of: its terms, a request, the raw reply, and what was read of it.

A service has one file in this room. It turns places and days into requests and a raw reply into a
CF dataset, and nothing else knows its format:

``requests(source, places, first, last, settings) -> list[Request]``
    Polite chunks within the source's limits. Options that cannot work are refused here.
``parse(reply) -> Parsed``
    From the reply alone (its request tells places, days and variables), so that an archived reply
    can be read again by a parser mended later.
``set_up(source, settings) -> Source``
    Only where settings change more than the address: limits that go with a key, a host of its own.
    What the practice may not do is refused here. `requests` gets the source that comes out.
``follow_up(source, reply, settings) -> list[Request]``
    Only where a listing comes before the data: what to ask next, of a reply whose request has the
    role "listing". Such a reply is not parsed.
``get(request, archive, clock) -> RawReply``
    Only where the data do not come over HTTP: in place of the session's.

Everything about a source that is not code stands in ``sources.toml``; the words of one service
(names of its variables, its units) in a table of that service's own name beside its file.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from typing import Literal, Protocol, cast, get_args
from urllib.parse import urlencode

import pandas as pd
import xarray as xr

from forecast.findings import Finding
from models.errors import ForepawError
from models.parameters import Parameter, load_table

Kind = Literal["weather", "forecast", "ensemble", "seasonal", "pollen", "phenology"]
Role = Literal["data", "listing"]
Content = Literal["json", "text", "binary"]

# Attribute of pollen and index arrays: how the values came about. The two are never mixed.
VALUE_KIND = "value_kind"
MEASURED, MODELLED = "measured", "modelled"


# ------------------------------------------------------------------------------ what goes wrong
class SourceError(ForepawError):
    """A source could not be used; one sentence says which, what was found and what to do."""


class TemporaryError(SourceError):
    """It may pass by itself: ask again after `retry_after` seconds (None: not known when)."""

    def __init__(self, sentence: str, *, retry_after: float | None = None) -> None:
        super().__init__(sentence)
        self.retry_after = retry_after


class RefusedError(SourceError):
    """The service, or our own manners, said no; the same request will be refused again."""


class OutOfReachError(RefusedError):
    """The service has nothing for any of the places that were asked for."""


class FormatError(SourceError):
    """A reply is not what the service documents; the sentence names what drifted."""


# ------------------------------------------------------------------------------ a source
@dataclass(frozen=True)
class Limits:
    """What a service asks of its callers; None where it sets no limit.

    Attributes
    ----------
    calls_per_minute, calls_per_hour, calls_per_day
        Weighted calls in a clock minute, clock hour and UTC day.
    parallel
        Requests under way at one time.
    pause_seconds
        Least time between the starts of two requests [s].
    locations_per_request, days_per_request
        Largest request.
    largest_reply_bytes
        A reply past this size, decompressed, is broken off.
    """

    calls_per_minute: float | None
    calls_per_hour: float | None
    calls_per_day: float | None
    parallel: int
    pause_seconds: float
    locations_per_request: int
    days_per_request: int | None
    largest_reply_bytes: int


@dataclass(frozen=True)
class Source:
    """One source: a line of ``sources.toml``.

    Attributes
    ----------
    family
        The name its services share where callers are counted together, as the key may be; its own
        id where it stands alone.
    client
        The file in this room that speaks with it.
    base_url
        Scheme and host (and port, and a beginning of the path); the rest is the client's.
    terms
        What a practice that charges fees must know, in one sentence; told at set-up.
    lag_days
        Values this recent are not out yet [d].
    allowance_days
        The newest value may be this old before the source counts as stale [d].
    revised_days
        The trailing window that is read again each time, since values in it are revised [d].
    horizon_days
        Days ahead that it forecasts, today being the first; None for a source of past days.
    fresh_hours
        What was asked for without fail less than this ago has nothing new [h]; it is not asked
        again unless days are lacking. 0 where asking costs nobody anything.
    day_definition
        What a day is there.
    key_header
        The request header that carries the key; empty where there is no key.
    redirect_hosts
        Hosts other than its own (``host`` or ``host:port``) to which it may redirect.
    reset_words
        First words of a refusal for too many calls, to what must pass before the next:
        ``second``, ``minute``, ``hour`` or ``day``.
    """

    id: str
    name: str
    kind: Kind
    family: str
    client: str
    base_url: str
    licence: str
    credit: str
    homepage: str
    terms: str
    lag_days: float
    allowance_days: float
    revised_days: int
    horizon_days: int | None
    day_definition: str
    earliest: date | None
    limits: Limits
    fresh_hours: float = 0.0
    key_header: str = ""
    redirect_hosts: tuple[str, ...] = ()
    reset_words: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class SourceSettings:
    """What the practice set for one source; nothing set is the default.

    `options` are the client's own (stations, a model, an area id), checked by it.
    """

    base_url: str | None = None
    key: str | None = field(default=None, repr=False)
    evaluation: bool = False
    options: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Place:
    """A point that stands for a region: degrees north, degrees east, metres (NaN: not known)."""

    id: str
    latitude: float
    longitude: float
    elevation: float


# ------------------------------------------------------------------------------ request, reply
@dataclass(frozen=True)
class Request:
    """One request, without any key: it may be shown, logged and archived.

    Attributes
    ----------
    url
        Without the query; `params` are the query's pairs, `headers` are sent beyond the usual.
    places, first, last, variables
        What it asks for: places in the order of the reply, days inclusive, names of the house.
    stations
        Pairs of a place's id and a station (or area) of the service that stands for it, where
        values come by station; a place may have several, and "" says that none is near enough.
    weight
        What it costs by the service's own count of calls.
    content
        What the body must be to be taken: "json" that parses, "text" that is no HTML page, or
        anything ("binary").
    conditional
        Ask only for what changed since the archived reply to the same request.
    """

    source_id: str
    method: Literal["GET", "POST"]
    url: str
    params: tuple[tuple[str, str], ...] = ()
    headers: tuple[tuple[str, str], ...] = ()
    places: tuple[Place, ...] = ()
    first: date | None = None
    last: date | None = None
    variables: tuple[str, ...] = ()
    stations: tuple[tuple[str, str], ...] = ()
    weight: float = 1.0
    content: Content = "json"
    role: Role = "data"
    conditional: bool = False

    @property
    def full_url(self) -> str:
        """The address with its query; commas and colons stay readable."""
        return self.url + ("?" + urlencode(self.params, safe=",:") if self.params else "")


@dataclass(frozen=True)
class RawReply:
    """A reply as it came, decompressed, and how it came.

    A status of 304 says that nothing changed: the body is then that of the archived reply.
    """

    request: Request
    url: str
    status: int
    content_type: str
    body: bytes = field(repr=False)
    sha256: str
    retrieved_at: datetime
    etag: str | None = None
    last_modified: str | None = None

    @property
    def not_modified(self) -> bool:
        """Whether the service said that nothing changed since the archived reply."""
        return self.status == 304


@dataclass(frozen=True)
class Parsed:
    """What was read of a reply.

    `dataset` has the names and units of ``forecast/climate/variables.toml`` over dims
    (region, time) or (region, member, time); pollen is ``pollen`` over (region, allergen, time) in
    grains m-3 with the attribute `VALUE_KIND`; phenology comes as `frame` with the columns region,
    species, stage, date instead. Dataset attributes: see `jobs.sources.parsing.attributes`.
    """

    dataset: xr.Dataset
    findings: tuple[Finding, ...] = ()
    frame: pd.DataFrame | None = None


class Service(Protocol):
    """What the file of a service offers."""

    def requests(
        self,
        source: Source,
        places: Sequence[Place],
        first: date,
        last: date,
        settings: SourceSettings,
    ) -> list[Request]:
        """Return the requests for these places and days, both inclusive."""

    def parse(self, reply: RawReply) -> Parsed:
        """Read a reply."""


# ------------------------------------------------------------------------------ the table
@cache
def sources() -> dict[str, Source]:
    """Return all sources by id, in the order of the table."""
    table = load_table("jobs.sources", "sources.toml")
    found = {}
    for name in table.groups():
        own = table.group(name)
        if "kind" in own:
            shared = table.group(str(own["family"].value)) if "family" in own else {}
            found[name] = _source(name, shared | own)
    return found


def lags_of_sources() -> dict[str, float]:
    """Return how long each source takes to give a day [d]: what a hindcast may not see."""
    return {source.id: source.lag_days for source in sources().values()}


def find_source(identity: str) -> Source:
    """Return one source; the error names the nearest and all known ones."""
    known = sources()
    if identity in known:
        return known[identity]
    near = difflib.get_close_matches(identity, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise SourceError(f"no source is called {identity!r}{hint} (known: {', '.join(known)})")


def _source(identity: str, leaves: Mapping[str, Parameter]) -> Source:
    def text(name: str) -> str:
        return str(leaves[name].value) if name in leaves else ""

    kind = text("kind")
    if kind not in get_args(Kind):
        raise SourceError(
            f"sources.toml: {identity} has the kind {kind!r}; allowed are "
            f"{', '.join(get_args(Kind))}"
        )
    earliest, words = text("earliest"), leaves.get("reset_words")
    hosts = leaves.get("redirect_hosts")
    return Source(
        id=identity,
        name=text("name"),
        kind=cast(Kind, kind),
        family=text("family") or identity,
        client=text("client"),
        base_url=text("base_url"),
        licence=text("licence"),
        credit=text("credit"),
        homepage=text("homepage"),
        terms=text("terms"),
        lag_days=leaves["lag_days"].number,
        allowance_days=leaves["allowance_days"].number,
        revised_days=int(leaves["revised_days"].number),
        horizon_days=_whole(leaves.get("horizon_days")),
        day_definition=text("day_definition"),
        earliest=date.fromisoformat(earliest) if earliest else None,
        limits=read_limits(leaves, "limits"),
        fresh_hours=leaves["fresh_hours"].number if "fresh_hours" in leaves else 0.0,
        key_header=text("key_header"),
        redirect_hosts=tuple(cast("list[str]", hosts.value)) if hosts else (),
        reset_words=tuple((w[0], w[1]) for w in cast("list[list[str]]", words.value))
        if words
        else (),
    )


def read_limits(leaves: Mapping[str, Parameter], group: str) -> Limits:
    """Read the limits below a group of a table; a limit that is left out is none."""

    def number(name: str) -> float | None:
        leaf = leaves.get(f"{group}.{name}")
        return None if leaf is None else leaf.number

    def whole(name: str) -> int:
        return int(leaves[f"{group}.{name}"].number)

    return Limits(
        calls_per_minute=number("calls_per_minute"),
        calls_per_hour=number("calls_per_hour"),
        calls_per_day=number("calls_per_day"),
        parallel=whole("parallel"),
        pause_seconds=leaves[f"{group}.pause_seconds"].number,
        locations_per_request=whole("locations_per_request"),
        days_per_request=_whole(leaves.get(f"{group}.days_per_request")),
        largest_reply_bytes=whole("largest_reply_bytes"),
    )


def _whole(leaf: Parameter | None) -> int | None:
    return None if leaf is None else int(leaf.number)
