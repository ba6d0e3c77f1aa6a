"""Stations: which of a service's stations stands for a place.

The practice may name one for each region in the source's settings (``stations``), ``"none"`` for
none; elsewhere it is the nearest that is near enough. Height counts as well as distance: a station
on the mountain says little of the town below it.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from forecast.findings import Finding
from jobs.sources.parsing import finding
from jobs.sources.source import (
    OutOfReachError,
    Place,
    RawReply,
    RefusedError,
    Source,
    SourceSettings,
)
from models.parameters import load_table

_NAMED = 5  # a sentence names no more places
NONE = "none"
Pairs = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Station:
    """A station: degrees north, degrees east, metres (NaN: not known)."""

    id: str
    latitude: float
    longitude: float
    elevation: float = math.nan


@dataclass(frozen=True)
class Reach:
    """How far off a station may be: kilometres, metres up or down; `most` of them a place."""

    km: float
    metres: float = math.inf
    most: int = 1


def check_options(source: Source, settings: SourceSettings, allowed: Sequence[str]) -> None:
    """Refuse settings of a source that its client does not know."""
    for name in settings.options:
        if name not in allowed:
            near = difflib.get_close_matches(name, allowed, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"allowed are {', '.join(allowed)}"
            raise RefusedError(
                f"{source.name}: {name!r} is not one of its settings; "
                f"{hint if allowed else 'it has none of its own'}"
            )


def named_stations(
    source: Source, places: Sequence[Place], settings: SourceSettings, *, option: str = "stations"
) -> dict[str, str]:
    """Return the station that the settings name for each region; "" where they say none."""
    given = settings.options.get(option, {})
    if not isinstance(given, Mapping):
        raise RefusedError(
            f"{source.name}: {option} is {given!r}; write it as a table of regions, such as "
            f'{option} = {{ {places[0].id if places else "region"} = "..." }}'
        )
    known = [place.id for place in places]
    named = {}
    for region, station in given.items():
        if region not in known:
            near = difflib.get_close_matches(str(region), known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"regions are {', '.join(known)}"
            raise RefusedError(f"{source.name}: {option} names the region {region!r}; {hint}")
        if isinstance(station, bool) or not isinstance(station, str | int) or not str(station):
            raise RefusedError(
                f"{source.name}: {option} gives region {region!r} the value {station!r}; give a "
                f"station's id in quotes, or {NONE!r}"
            )
        named[str(region)] = "" if station == NONE else str(station)
    return named


def distance(latitude: float, longitude: float, other: Station | Place) -> float:
    """Return the great-circle distance to a station or place [km] (haversine formula)."""
    radius = load_table("jobs.sources", "stations.toml").number("earth.mean_radius")
    phi, other_phi = math.radians(latitude), math.radians(other.latitude)
    half_phi = (other_phi - phi) / 2
    half_lambda = math.radians(other.longitude - longitude) / 2
    chord = (
        math.sin(half_phi) ** 2 + math.cos(phi) * math.cos(other_phi) * math.sin(half_lambda) ** 2
    )
    return 2 * radius * math.asin(min(1.0, math.sqrt(chord)))


def box_around(places: Sequence[Place], km: float) -> tuple[float, float, float, float]:
    """Return south, west, north, east of a box [degree] that holds what is so near to any place."""
    radius = load_table("jobs.sources", "stations.toml").number("earth.mean_radius")
    step = math.degrees(km / radius)
    south = min(place.latitude for place in places) - step
    north = max(place.latitude for place in places) + step
    across = step / max(math.cos(math.radians(max(abs(south), abs(north)))), 0.01)
    west = min(place.longitude for place in places) - across
    east = max(place.longitude for place in places) + across
    return max(south, -90.0), max(west, -180.0), min(north, 90.0), min(east, 180.0)


def nearby(place: Place, stations: Iterable[Station], reach: Reach) -> list[Station]:
    """Return the stations near enough to a place, the nearest first.

    Where a height is not known, distance alone decides.
    """
    found = []
    for station in stations:
        step = abs(station.elevation - place.elevation)
        if step > reach.metres:  # NaN compares as False: not known
            continue
        away = distance(place.latitude, place.longitude, station)
        if away <= reach.km:
            found.append((away, station))
    found.sort(key=lambda pair: (pair[0], pair[1].id))
    return [station for _, station in found[: reach.most]]


def choose_stations(
    source: Source, places: Iterable[Place], stations: Sequence[Station], reach: Reach
) -> Pairs:
    """Return pairs of place and station, ("place", "") where none is near enough.

    Raises
    ------
    OutOfReachError
        If no place has a station at all: then the source is of no use here.
    """
    places = tuple(places)
    pairs = []
    for place in places:
        near = nearby(place, stations, reach)
        pairs += [(place.id, station.id) for station in near] or [(place.id, "")]
    if not any(station for _, station in pairs):
        raise OutOfReachError(
            f"{source.name}: none of its {len(stations)} stations is within {_words(reach)} of "
            f"{_named(places)}; put position and elevation right, name a station under its "
            f'[[pull]] as options = {{ stations = {{ {places[0].id} = "..." }} }}, or leave this '
            "source out"
        )
    return tuple(pairs)


def places_without(reply: RawReply) -> list[Finding]:
    """Return a finding for each place of a request that no station stands for."""
    return [
        finding(
            reply,
            "no station near enough",
            "warning",
            found=f"region {place}: nothing is known of it from this source",
            fix=f"name a station in its settings: stations = {{ {place} = '...' }}, or '{NONE}'",
        )
        for place, station in reply.request.stations
        if not station
    ]


def served(reply: RawReply) -> dict[str, list[str]]:
    """Return the places of each station of a request."""
    found: dict[str, list[str]] = {}
    for place, station in reply.request.stations:
        if station:
            found.setdefault(station, []).append(place)
    return found


def _words(reach: Reach) -> str:
    height = "" if math.isinf(reach.metres) else f" and {reach.metres:g} m of height"
    return f"{reach.km:g} km{height}"


def _named(places: Sequence[Place]) -> str:
    """Name the first few places with their heights."""
    words = [f"{place.id} ({place.elevation:g} m)" for place in places[:_NAMED]]
    more = len(places) - len(words)
    return ", ".join(words) + (f" and {more} more" if more else "")
