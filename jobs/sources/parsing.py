"""What every parser needs: JSON out of a reply, attributes, and findings that name a reply."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import numpy as np
import xarray as xr

from forecast.findings import Finding, Severity
from jobs.sources.source import FormatError, Place, RawReply, find_source

_HTML = (b"<!doctype html", b"<html")
_BOM = b"\xef\xbb\xbf"


def looks_like_html(body: bytes) -> bool:
    """Whether a body is a web page: what stands in for data when something is out of order."""
    return body[:1024].removeprefix(_BOM).lstrip().lower().startswith(_HTML)


def read_json(reply: RawReply) -> Any:
    """Return a reply's JSON; the error says what came instead."""
    try:
        return json.loads(reply.body)
    except (ValueError, RecursionError) as error:
        what = "an HTML page" if looks_like_html(reply.body) else f"no JSON ({error})"
        name = find_source(reply.request.source_id).name
        raise FormatError(f"{name}: the reply is {what}, although JSON was asked") from error


def inside(tree: Any, *keys: str) -> Any:
    """Return what stands below the keys of nested JSON objects, None where there is no such."""
    for key in keys:
        tree = tree.get(key) if isinstance(tree, dict) else None
    return tree


def require(condition: bool, reply: RawReply, sentence: str) -> None:
    """Refuse a reply, naming its source, unless the condition holds."""
    if not condition:
        raise drift(reply, sentence)


def drift(reply: RawReply, sentence: str) -> FormatError:
    """Return the error of a reply that is not what the service documents."""
    sentence = " ".join(sentence.split())  # what it quotes may hold line breaks
    return FormatError(
        f"{find_source(reply.request.source_id).name}: {sentence}; the service has changed its "
        "format or answered another question; nothing of this reply was taken, it is archived"
    )


def attributes(reply: RawReply, *, version: str = "") -> dict[str, str]:
    """Return the attributes that a parsed dataset carries.

    source, source_name, version (model or release), day_definition, retrieved_at, licence, credit,
    reply_sha256.
    """
    origin = find_source(reply.request.source_id)
    return {
        "source": origin.id,
        "source_name": origin.name,
        "version": version,
        "day_definition": origin.day_definition,
        "retrieved_at": reply.retrieved_at.isoformat(),
        "licence": origin.licence,
        "credit": origin.credit,
        "reply_sha256": reply.sha256,
    }


def position_coordinates(places: Iterable[Place]) -> dict[str, xr.DataArray]:
    """Return region, latitude, longitude and elevation as the climate store wants them."""
    places = tuple(places)
    wanted = {
        "latitude": ("latitude", "degrees_north"),
        "longitude": ("longitude", "degrees_east"),
        "elevation": ("altitude", "m"),
    }
    coordinates = {
        "region": xr.DataArray(
            np.array([place.id for place in places], dtype=object), dims="region"
        )
    }
    for name, (standard_name, unit) in wanted.items():
        values = np.array([getattr(place, name) for place in places], dtype=float)
        coordinates[name] = xr.DataArray(
            values, dims="region", attrs={"units": unit, "standard_name": standard_name}
        )
    return coordinates


def finding(
    reply: RawReply,
    check: str,
    severity: Severity,
    *,
    column: str | None = None,
    found: str,
    allowed: str = "",
    fix: str = "",
) -> Finding:
    """Return a finding about a reply; its file is the source."""
    return Finding(check, severity, reply.request.source_id, None, column, found, allowed, fix)
