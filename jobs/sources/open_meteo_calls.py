"""Asking the Open-Meteo family: which host, what a call costs, and how a wish is cut into calls.

The free hosts are for non-commercial use. A practice that charges fees has a key, which leads to
the customer hosts, or a server of its own; the free hosts are asked only where practice.toml says
that this is an evaluation without commercial use.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from urllib.parse import urlsplit

from jobs.sources.source import (
    Place,
    RefusedError,
    Request,
    Source,
    SourceError,
    SourceSettings,
)
from jobs.sources.spans import spans
from jobs.sources.stations import check_options
from models.parameters import ParameterTable, load_table

_SEASONAL = "seasonal"


def words() -> ParameterTable:
    """Return the table of the family's words and costs."""
    return load_table("jobs.sources", "open_meteo.toml")


def set_up(source: Source, settings: SourceSettings) -> Source:
    """Return the source with the host, the limits and the horizon that this practice has.

    Raises
    ------
    RefusedError
        If it would ask a free host of the service without being an evaluation, or names a model
        that is not known.
    """
    address = settings.base_url or source.base_url
    host = urlsplit(address).hostname or ""
    domain, prefix = str(words()["host.domain"].value), str(words()["host.customer_prefix"].value)
    hosted = host == domain or host.endswith("." + domain)
    if hosted and settings.key and not host.startswith(prefix):
        address, host = address.replace("://", "://" + prefix, 1), prefix + host
    changed = replace(source, base_url=address.rstrip("/"), horizon_days=_horizon(source, settings))
    if not hosted:
        return _with_limits(replace(changed, redirect_hosts=()), "own_server")
    if host.startswith(prefix):
        if not settings.key:
            raise RefusedError(
                f"{source.name}: {host} needs a key; keep it in the secrets folder or set another "
                "address in practice.toml"
            )
        return _with_limits(changed, "customer")
    if not settings.evaluation:
        raise RefusedError(
            f"{source.name}: {source.terms} Give a key, set base_url to a server of your own, or, "
            "if this is an evaluation without commercial use, say evaluation = true in "
            "practice.toml"
        )
    return changed


def model_of(source: Source, settings: SourceSettings) -> str:
    """Return the model that is asked; the error names those that may be."""
    known = known_models(source.id)
    check_options(source, settings, ["model"] if known else [])
    if not known:
        return ""
    model = str(settings.options.get("model", words()[f"default_model.{source.id}"].value))
    if model not in known:
        raise RefusedError(
            f"{source.name}: the model {model!r} is not known; allowed are {', '.join(known)}"
        )
    return model


def known_models(source_id: str) -> list[str]:
    """Return the models that may be named for a source; empty where there is no choice."""
    names = words().group(f"model.{source_id}")
    return list(dict.fromkeys(name.partition(".")[0] for name in names))


def call_weight(
    *, n_variables: int, n_days: int, n_members: int = 1, seasonal: bool = False
) -> float:
    """Return what one place counts in a call.

    max(1, n/10, n/10 * days/14) with n = variables x members; n of a seasonal call is divided by
    24 and by 5. Source: the service's source code and its tests.
    """
    table = words()
    n = n_variables * n_members / (table.number("weight.seasonal_divisor") if seasonal else 1.0)
    calls = n / table.number("weight.variables")
    return max(1.0, calls, calls * n_days / table.number("weight.days"))


def chunks(
    source: Source,
    places: Sequence[Place],
    first: date,
    last: date,
    *,
    n_variables: int,
    n_members: int = 1,
) -> Iterator[tuple[tuple[Place, ...], date, date, float]]:
    """Cut places and days into calls within the limits: places, first, last day, weight."""
    most = _largest_weight(source)
    seasonal = source.kind == _SEASONAL

    def weight(n_days: int) -> float:
        return call_weight(
            n_variables=n_variables, n_days=n_days, n_members=n_members, seasonal=seasonal
        )

    longest = min(source.limits.days_per_request or math.inf, (last - first).days + 1)
    n_days = int(longest)
    while n_days > 1 and weight(n_days) > most:
        n_days = max(1, min(n_days - 1, int(n_days * most / weight(n_days))))
    n_places = max(1, min(source.limits.locations_per_request, int(most / weight(n_days))))
    cut = spans(
        replace(source, limits=replace(source.limits, days_per_request=n_days)), first, last
    )
    for start in range(0, len(places), n_places):
        some = tuple(places[start : start + n_places])
        for begin, end in cut:
            yield some, begin, end, len(some) * weight((end - begin).days + 1)


def place_parameters(places: Sequence[Place], *, elevation: bool) -> list[tuple[str, str]]:
    """Return the parameters that name places; an elevation that is not known turns off its use."""

    def listed(values: Sequence[float]) -> str:
        return ",".join(f"{value:.10g}" for value in values)

    parameters = [
        ("latitude", listed([place.latitude for place in places])),
        ("longitude", listed([place.longitude for place in places])),
    ]
    if elevation:
        parameters.append(("elevation", listed([place.elevation for place in places])))
    return parameters


def check_address(request: Request) -> Request:
    """Return the request; refuse one whose address is longer than the service takes."""
    longest = int(words().number("address.longest"))
    if len(request.full_url) > longest:
        raise SourceError(
            f"a request to {request.source_id} has an address of {len(request.full_url)} bytes; at "
            f"most {longest} are taken; ask for fewer places at a time"
        )
    return request


def _horizon(source: Source, settings: SourceSettings) -> int | None:
    model = model_of(source, settings)
    leaf = words().parameters.get(f"model.{source.id}.{model}.horizon_days")
    return source.horizon_days if leaf is None else int(leaf.number)


def _with_limits(source: Source, group: str) -> Source:
    limits = replace(
        source.limits,
        calls_per_minute=None,
        calls_per_hour=None,
        calls_per_day=None,
        parallel=int(words().number(f"{group}.parallel")),
        pause_seconds=words().number(f"{group}.pause_seconds"),
    )
    return replace(source, limits=limits)


def _largest_weight(source: Source) -> float:
    limits = source.limits
    counted = (limits.calls_per_minute, limits.calls_per_hour, limits.calls_per_day)
    return min([words().number("weight.largest"), *(n for n in counted if n is not None)])
