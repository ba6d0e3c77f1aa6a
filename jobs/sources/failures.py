"""What went wrong on the way to a service, in words; and when to ask again."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urlsplit

import requests
import urllib3

from jobs.sources.parsing import looks_like_html
from jobs.sources.source import RefusedError, Source, SourceError, TemporaryError

KEPT = "what is held stays as it is"
# Keys under which services put the reason of a refusal, the most telling first.
_REASON_KEYS = ("reason", "messages", "errors", "errorMessage", "detail", "message", "title")


def given_up(source: Source, problem: TemporaryError, tries: int, seconds: float) -> TemporaryError:
    """Return the error after the last try."""
    asked = f"asked {tries} times in {seconds:.0f} s" if tries > 1 else "asked once"
    when = ""
    if problem.retry_after is not None:
        when = f" (not before {problem.retry_after:.0f} s from now)"
    return TemporaryError(
        f"{source.name}: {problem} ({asked}); {KEPT}, the next run asks the same again{when}",
        retry_after=problem.retry_after,
    )


def of_connection(error: requests.RequestException, url: str) -> SourceError:
    """Return the error of a request that got no answer; the address's query is not repeated."""
    host = urlsplit(url).netloc.rpartition("@")[2]
    causes = list(_causes(error))
    if isinstance(error, requests.exceptions.SSLError):
        why = next((c.verify_message for c in causes if hasattr(c, "verify_message")), "")
        return RefusedError(
            f"the certificate of {host} cannot be trusted ({why or 'no secure connection'}); check "
            "this machine's clock and its certificates, or tell the service"
        )
    if any(isinstance(cause, urllib3.exceptions.NameResolutionError) for cause in causes):
        return TemporaryError(f"the name {host} cannot be resolved; is this machine online?")
    if isinstance(error, requests.exceptions.ProxyError):
        return TemporaryError(f"the proxy of this machine did not lead to {host}")
    if isinstance(error, requests.exceptions.ConnectTimeout):
        return TemporaryError(f"{host} did not take the connection in time")
    if isinstance(error, requests.exceptions.Timeout):
        return TemporaryError(f"{host} sent nothing for too long")
    if isinstance(error, requests.exceptions.ConnectionError):
        return TemporaryError(f"the connection to {host} was refused or broke off")
    # an address or a header that cannot be sent: a slip in the settings
    return RefusedError(
        f"no request to {host or 'it'} could be made ({type(error).__name__}); check its address "
        "and the contact in practice.toml"
    )


def of_body(error: urllib3.exceptions.HTTPError) -> SourceError:
    """Return the error of a body that did not come whole."""
    if isinstance(error, urllib3.exceptions.ReadTimeoutError):
        return TemporaryError("it sent nothing for too long in the midst of its reply")
    return TemporaryError("the connection broke off in the midst of its reply")


def retry_after(header: str, now: datetime) -> float | None:
    """Return the seconds that a Retry-After header asks for; None if it says nothing usable."""
    header = header.strip()
    if re.fullmatch(r"\d{1,9}", header):
        return float(header)
    try:
        moment = parsedate_to_datetime(header)
    except ValueError:
        return None
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return max(0.0, (moment - now).total_seconds())


def words_of(body: bytes, most: int) -> str:
    """Return a service's own words about a refusal, at most so many characters; "" for a page."""
    if looks_like_html(body):
        return ""
    text = body.decode("utf-8", errors="replace")
    try:
        said = _reason(json.loads(text))
    except (ValueError, RecursionError):
        said = text
    said = re.sub(r"[\x00-\x1f\x7f\s]+", " ", said).strip()
    return said if len(said) <= most else said[:most].rstrip() + " ..."


def _reason(tree: Any) -> str:
    if isinstance(tree, dict):
        found = next((tree[key] for key in _REASON_KEYS if tree.get(key)), None)
        return "; ".join(f"{k} {v}" for k, v in tree.items()) if found is None else _reason(found)
    if isinstance(tree, list):
        return "; ".join(_reason(part) for part in tree)
    return str(tree)


def _causes(error: BaseException) -> Iterator[BaseException]:
    """Give an error, and those that led to it, as the libraries below nest them."""
    seen: list[BaseException] = [error]
    for cause in seen:
        yield cause
        nested = (cause.__cause__, cause.__context__, getattr(cause, "reason", None), *cause.args)
        for deeper in nested:
            if isinstance(deeper, BaseException) and deeper not in seen:
                seen.append(deeper)
