"""The one way out of the house: every request to a source goes through this session.

It waits for its turn, asks, follows a redirect only where that is allowed, reads the body within
bounds, takes only what looks like what was asked for, and archives it before anybody reads it. What
may pass by itself is tried again; everything else is said in one sentence. A key travels in a
header and is in no address, sentence or file.
"""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Mapping
from dataclasses import replace
from importlib.metadata import version
from typing import Any, cast

import requests
import urllib3

from jobs.sources import failures
from jobs.sources.body import read_body
from jobs.sources.limits import Clock, RateLimits
from jobs.sources.parsing import looks_like_html
from jobs.sources.raw_archive import RawArchive
from jobs.sources.redirects import next_address
from jobs.sources.source import RawReply, RefusedError, Request, Source, SourceError, TemporaryError
from models.parameters import ParameterTable, load_table

_REDIRECTS = (301, 302, 303, 307, 308)


class Session:
    """Asks sources on behalf of one practice.

    Parameters
    ----------
    sources
        The sources as the practice uses them (address, limits), by id.
    archive
        Where every reply is kept before it is read; None keeps none.
    limits
        Shared counts of calls; None counts in memory.
    contact
        Address (mail or web) by which a service reaches the practice; part of the User-Agent.
    keys
        Key of each source that has one, by id.
    clock, rng, verify, manners
        Time, chance of the waits, certificates to trust, and ``manners.toml``; replaced in tests.
    """

    def __init__(
        self,
        sources: Mapping[str, Source],
        *,
        archive: RawArchive | None,
        limits: RateLimits | None = None,
        contact: str | None = None,
        keys: Mapping[str, str] | None = None,
        clock: Clock | None = None,
        rng: random.Random | None = None,
        verify: bool | str = True,
        manners: ParameterTable | None = None,
    ) -> None:
        self._sources, self._archive = sources, archive
        self._clock = clock or Clock()
        self._limits = limits or RateLimits(None, clock=self._clock)
        self._keys = dict(keys or {})
        self._rng = rng or random.Random()  # noqa: S311 (it spreads waits, it guards nothing)
        self._manners = manners or load_table("jobs.sources", "manners.toml")
        self._chunk = int(self._manners.number("body.chunk_bytes"))
        self._http = requests.Session()
        self._http.verify = verify
        self._http.auth = _no_login
        self._http.headers["User-Agent"] = user_agent(contact)
        self._http.headers["Accept-Encoding"] = "gzip"

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections."""
        self._http.close()

    def get(self, request: Request) -> RawReply:
        """Return the reply to a request, archived.

        Raises
        ------
        TemporaryError
            If it failed in a way that may pass, also after several tries.
        RefusedError
            If the service, or our own manners, said no.
        """
        source = self._source(request)
        tries = int(self._manners.number("retry.tries"))
        started = self._clock.monotonic()
        wait = self._manners.number("retry.first_wait")
        for n in range(1, tries + 1):
            with self._limits.turn(source, request.weight):
                try:
                    return self._once(request, source)
                except TemporaryError as error:
                    problem = error
                except RefusedError as error:
                    raise RefusedError(f"{source.name}: {error}; {failures.KEPT}") from error
            pause = self._pause(problem, wait)
            passed = self._clock.monotonic() - started
            if n == tries or passed + pause > self._manners.number("timeout.in_all"):
                raise failures.given_up(source, problem, n, passed) from problem
            self._clock.sleep(pause)
            wait = min(2 * wait, self._manners.number("retry.longest_wait"))
        raise AssertionError("the last try returns or raises")

    def _source(self, request: Request) -> Source:
        try:
            return self._sources[request.source_id]
        except KeyError:
            raise SourceError(
                f"a request to {request.source_id!r} was made, but this practice uses "
                f"{', '.join(self._sources) or 'no source'}; name it in practice.toml"
            ) from None

    def _pause(self, problem: TemporaryError, wait: float) -> float:
        """Draw the wait before the next try; what the service asked for is never cut short."""
        least = self._manners.number("retry.least_share")
        drawn = wait * self._rng.uniform(least, 1.0)
        return drawn if problem.retry_after is None else problem.retry_after + drawn

    # -------------------------------------------------------------------------- one try
    def _once(self, request: Request, source: Source) -> RawReply:
        held = self._archive.newest(request) if self._archive and request.conditional else None
        began = self._clock.monotonic()
        key = self._keys.get(source.id, "")
        with self._answer(request, source, held, key) as answer:
            if answer.status_code == 304 and held is not None:
                return replace(held, request=request, status=304, retrieved_at=self._clock.now())
            if answer.status_code != 200:
                raise self._refusal(answer, source, key)
            body = self._body(answer, source.limits.largest_reply_bytes, began)
            reply = RawReply(
                request=request,
                url=_without(key, str(answer.url)),
                status=answer.status_code,
                content_type=answer.headers.get("Content-Type", ""),
                body=body,
                sha256=hashlib.sha256(body).hexdigest(),
                retrieved_at=self._clock.now(),
                etag=answer.headers.get("ETag"),
                last_modified=answer.headers.get("Last-Modified"),
            )
        _check_content(reply)
        if self._archive is not None:
            self._archive.keep(reply)
        return reply

    def _answer(
        self, request: Request, source: Source, held: RawReply | None, key: str
    ) -> requests.Response:
        """Send a request, follow what may be followed; the body of the answer is not read yet."""
        headers = dict(request.headers)
        if held is not None and held.etag:
            headers["If-None-Match"] = held.etag
        if held is not None and held.last_modified:
            headers["If-Modified-Since"] = held.last_modified
        if key:
            headers[source.key_header] = key
        url, form = request.full_url, None
        if request.method == "POST":
            url, form = request.url, list(request.params)
        for _ in range(int(self._manners.number("redirect.most")) + 1):
            answer = self._send(request.method, url, headers, form)
            if answer.status_code not in _REDIRECTS:
                return answer
            with answer:
                url = next_address(url, answer.headers.get("Location", ""), source.redirect_hosts)
        raise RefusedError("it redirects in a circle, or too often, and was not followed further")

    def _send(
        self, method: str, url: str, headers: dict[str, str], form: list[tuple[str, str]] | None
    ) -> requests.Response:
        timeout = (self._manners.number("timeout.connect"), self._manners.number("timeout.read"))
        try:
            return self._http.request(
                method,
                url,
                headers=headers,
                data=form,
                timeout=timeout,
                stream=True,
                allow_redirects=False,
            )
        except requests.RequestException as error:
            raise failures.of_connection(error, url) from error

    def _body(self, answer: requests.Response, largest: int, began: float) -> bytes:
        longest = self._manners.number("timeout.reply")

        def check_time() -> None:
            if self._clock.monotonic() - began > longest:
                raise TemporaryError(f"the reply was not whole after {longest:g} s")

        try:
            return read_body(
                answer.raw,
                answer.headers.get("Content-Encoding", ""),
                largest=largest,
                chunk=self._chunk,
                check_time=check_time,
            )
        except urllib3.exceptions.HTTPError as error:
            raise failures.of_body(error) from error

    def _refusal(self, answer: requests.Response, source: Source, key: str) -> SourceError:
        """Turn an answer that is not 200 into the error it stands for."""
        try:
            body = self._body(answer, self._chunk, self._clock.monotonic())
        except SourceError:
            body = b""  # the status says enough
        shown = int(self._manners.number("body.shown_characters"))
        said = _without(key, failures.words_of(body, shown))
        status = answer.status_code
        sentence = f"it answered {status} ({answer.reason or 'no reason'})"
        sentence += f": {said}" if said else ""
        if status not in cast("list[Any]", self._manners["retry.statuses"].value):
            return RefusedError(sentence)
        header = answer.headers.get("Retry-After", "")
        wait = failures.retry_after(header, self._clock.now())
        if status == 429 and wait is None:
            wait = self._wait_for_reset(source, said)
        return TemporaryError(sentence, retry_after=wait)

    def _wait_for_reset(self, source: Source, said: str) -> float | None:
        window = next((w for start, w in source.reset_words if said.startswith(start)), None)
        if window == "second":
            return self._manners.number("limits.concurrent_wait")
        return None if window is None else self._limits.use_up(source, window)


def user_agent(contact: str | None) -> str:
    """Return how forepaw names itself to a service."""
    name = f"forepaw/{version('forepaw')}"
    if not contact:
        return name
    if not (contact.isascii() and contact.isprintable()):
        raise SourceError(
            f"the contact {contact!r} cannot be sent to a service; give a mail or web address in "
            "plain letters"
        )
    return f"{name} ({contact})"


def _without(key: str, text: str) -> str:
    return text.replace(key, "(the key)") if key else text


def _no_login(prepared: requests.PreparedRequest) -> requests.PreparedRequest:
    """Send no login: without this, one kept for that host on the machine would go along."""
    return prepared


def _check_content(reply: RawReply) -> None:
    """Refuse a body that cannot be what was asked for; a service often mends that by itself."""
    content = reply.request.content
    if content == "binary":
        return
    if looks_like_html(reply.body):
        raise TemporaryError(f"it answered with an HTML page where {content} was asked for")
    if content == "text" and b"\x00" in reply.body:
        raise TemporaryError(
            f"it answered with {reply.content_type or 'bytes'} where text was asked"
        )
    if content == "json":
        try:
            json.loads(reply.body)
        except (ValueError, RecursionError) as error:
            raise TemporaryError(
                f"its JSON ({len(reply.body)} bytes, sent as {reply.content_type or 'nothing'}) is "
                "broken or cut short"
            ) from error
