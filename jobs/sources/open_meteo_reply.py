"""Reading a reply of the Open-Meteo family down to arrays: places, hours or days, units, members.

What drifted is named and the whole reply refused, since an array that is shifted by one place or
one hour looks like any other. Only what the service itself calls not offered, or has not yet, is
left missing with a finding.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from forecast.findings import Finding
from jobs.sources.open_meteo_calls import words
from jobs.sources.parsing import drift, finding, read_json, require
from jobs.sources.source import FormatError, Place, RawReply, find_source
from jobs.sources.spans import days_asked
from jobs.sources.stations import distance

_MEMBER = "_member"


@dataclass(frozen=True)
class Section:
    """One section ("daily" or "hourly") of all places of a reply.

    `values` of a variable's name there are dims (place, member, time), NaN where missing;
    `not_offered` says at which places the service has none of it.
    """

    time: pd.DatetimeIndex
    values: Mapping[str, np.ndarray]
    not_offered: Mapping[str, list[str]]
    n_members: int
    grid: Mapping[str, xr.DataArray]
    findings: list[Finding]


def read_section(reply: RawReply, section: str, units: Mapping[str, str], step: str) -> Section:
    """Read a section of a reply.

    Parameters
    ----------
    reply
        The reply; its request says which places and days it must hold.
    section
        "daily" or "hourly".
    units
        The unit in which each variable must come, by the service's name of the variable.
    step
        Time step of the section, "D" or "h".

    Raises
    ------
    FormatError
        If the reply is not the answer to its request; the sentence says where it differs.
    """
    locations = _locations(reply)
    findings = _content_type(reply)
    time = _time(reply, locations, section, step, findings)
    members = _members(reply, locations, section, units)
    shape = (len(locations), len(members), len(time))
    values = {name: np.full(shape, np.nan) for name in units}
    not_offered: dict[str, list[str]] = {name: [] for name in units}
    for at, (location, place) in enumerate(zip(locations, reply.request.places, strict=True)):
        for name, unit in units.items():
            if _is_offered(reply, location, section, name, unit, place):
                _fill(values[name][at], reply, location[section], name, place)
            else:
                not_offered[name].append(place.id)
    not_offered = {name: ids for name, ids in not_offered.items() if ids}
    findings += _note_not_offered(reply, not_offered)
    findings += _note_short_members(reply, locations, section, units, len(members))
    grid = _grid(reply, locations)
    return Section(time, values, not_offered, len(members), grid, findings)


# ------------------------------------------------------------------------------ places
def _locations(reply: RawReply) -> list[dict[str, Any]]:
    tree = read_json(reply)
    places = reply.request.places
    if isinstance(tree, dict) and tree.get("error"):
        name = find_source(reply.request.source_id).name
        raise FormatError(f"{name}: it answered 200 with an error: {tree.get('reason', tree)}")
    locations = tree if isinstance(tree, list) else [tree]
    require(
        len(locations) == len(places) and all(isinstance(part, dict) for part in locations),
        reply,
        f"{len(places)} places were asked, the reply holds {len(locations)}",
    )
    for at, (location, place) in enumerate(zip(locations, places, strict=True)):
        given = location.get("location_id", 0 if at == 0 else None)
        require(
            given == at,
            reply,
            f"place {place.id} is number {at} of the request, the reply has {given} there",
        )
        offset = location.get("utc_offset_seconds")
        require(
            offset == 0,
            reply,
            f"UTC days were asked, the reply has the zone {location.get('timezone')!r} "
            f"({offset} s from UTC)",
        )
        _check_cell(reply, location, place)
    return locations


def _check_cell(reply: RawReply, location: dict[str, Any], place: Place) -> None:
    cell = (location.get("latitude", "?"), location.get("longitude", "?"))
    if not all(isinstance(degrees, int | float) for degrees in cell):
        raise drift(reply, f"the cell of place {place.id} has the position {cell}")
    away = distance(float(cell[0]), float(cell[1]), place)
    require(
        away <= words().number("cell.farthest"),
        reply,
        f"place {place.id} ({place.latitude:g}, {place.longitude:g}) was answered with a cell "
        f"{away:.0f} km away ({cell[0]}, {cell[1]})",
    )


def _grid(reply: RawReply, locations: Sequence[dict[str, Any]]) -> dict[str, xr.DataArray]:
    """Return where the cells are that stand for the places."""
    units = {"latitude": "degrees_north", "longitude": "degrees_east", "elevation": "m"}
    grid = {}
    for name, unit in units.items():
        given = [location.get(name) for location in locations]
        values = np.array([n if isinstance(n, int | float) else math.nan for n in given], float)
        attributes = {"units": unit, "long_name": f"{name} of the grid cell"}
        grid[f"grid_{name}"] = xr.DataArray(values, dims="region", attrs=attributes)
    return grid


# ------------------------------------------------------------------------------ time
def _time(
    reply: RawReply,
    locations: Sequence[dict[str, Any]],
    section: str,
    step: str,
    findings: list[Finding],
) -> pd.DatetimeIndex:
    """Return the time of the reply: the asked one, or a part of it without holes."""
    units = f"{section}_units"
    for location in locations:
        has_both = all(isinstance(location.get(key), dict) for key in (section, units))
        require(has_both, reply, f"the reply has no sections {section!r} and {units!r}")
        form = location[units].get("time")
        require(form == "iso8601", reply, f"times in iso8601 were asked, they came in {form!r}")
    times = locations[0][section].get("time")
    same = all(location[section].get("time") == times for location in locations)
    require(isinstance(times, list) and same, reply, "its places do not share one list of times")
    asked = _asked_time(reply, step)
    if times == _written(asked, step):
        return asked
    try:
        given = pd.DatetimeIndex(pd.to_datetime(times, format="ISO8601"))
    except (ValueError, TypeError) as error:
        raise drift(reply, f"a time of it cannot be read ({str(times)[:60]})") from error
    at = asked.get_indexer(given)
    require(
        len(given) > 0 and bool((at >= 0).all()) and bool((np.diff(at) == 1).all()),
        reply,
        f"times from {asked[0]} to {asked[-1]} without a hole were asked, it holds {len(given)}"
        + (f", from {given[0]} to {given[-1]}" if len(given) else ""),
    )
    findings.append(
        finding(
            reply,
            "fewer days than asked",
            "warning",
            column="time",
            found=f"{given[0]:%Y-%m-%d} to {given[-1]:%Y-%m-%d}",
            allowed=f"{asked[0]:%Y-%m-%d} to {asked[-1]:%Y-%m-%d}",
            fix="the rest is asked again next time",
        )
    )
    return given


def _asked_time(reply: RawReply, step: str) -> pd.DatetimeIndex:
    days = days_asked(reply)
    if step == "D":
        return days
    return pd.date_range(days[0], days[-1] + pd.Timedelta(hours=23), freq="h")


def _written(time: pd.DatetimeIndex, step: str) -> list[str]:
    return list(time.strftime("%Y-%m-%d" if step == "D" else "%Y-%m-%dT%H:%M"))


# ------------------------------------------------------------------------------ values
def _members(
    reply: RawReply,
    locations: Sequence[dict[str, Any]],
    section: str,
    units: Mapping[str, str],
) -> list[int]:
    """Return the numbers of the members: 0 is the bare name, the others are in their keys."""
    pattern = re.compile(rf"({'|'.join(map(re.escape, units))}){_MEMBER}(\d+)")
    keys = {key for location in locations for key in location[section]}
    found = {int(match[2]) for key in keys if (match := pattern.fullmatch(key))}
    members = [0, *sorted(found)]
    require(
        members == list(range(len(members))),
        reply,
        f"its members are numbered {members[1:6]} ...; a number is missing",
    )
    return members


def _is_offered(
    reply: RawReply, location: dict[str, Any], section: str, name: str, unit: str, place: Place
) -> bool:
    given = location[f"{section}_units"].get(name)
    require(
        given is not None and name in location[section],
        reply,
        f"{name} was asked and is not in it (place {place.id})",
    )
    if given == words()["not_offered.unit"].value:
        values = location[section][name]
        require(
            isinstance(values, list) and all(value is None for value in values),
            reply,
            f"{name} has the unit {given!r} and values all the same (place {place.id})",
        )
        return False
    require(given == unit, reply, f"{name} was asked in {unit}, it came in {given}")
    return True


def _fill(
    out: np.ndarray, reply: RawReply, columns: dict[str, Any], name: str, place: Place
) -> None:
    """Put the members of a variable into `out`, dims (member, time); None becomes NaN."""
    for member in range(len(out)):
        key = _key(name, member)
        if key not in columns:
            continue
        values = columns[key]
        require(
            isinstance(values, list) and len(values) == out.shape[1],
            reply,
            f"{key} of place {place.id} has {len(values) if isinstance(values, list) else 'no'} "
            f"values for {out.shape[1]} times",
        )
        try:
            out[member] = np.array(values, dtype=float)
        except (ValueError, TypeError) as error:
            raise drift(reply, f"{key} of place {place.id} holds no numbers ({error})") from error
        require(not np.isinf(out[member]).any(), reply, f"{key} of place {place.id} is not finite")


def _key(name: str, member: int) -> str:
    return f"{name}{_MEMBER}{member:02d}" if member else name


# ------------------------------------------------------------------------------ what is noted
def _content_type(reply: RawReply) -> list[Finding]:
    if "json" in reply.content_type.lower():
        return []
    found = f"sent as {reply.content_type or 'nothing'}, read as JSON all the same"
    return [finding(reply, "content type", "warning", found=found, allowed="application/json")]


def _note_not_offered(reply: RawReply, not_offered: Mapping[str, list[str]]) -> list[Finding]:
    return [
        finding(
            reply,
            "not offered here",
            "warning",
            column=name,
            found=f"{len(ids)} of {len(reply.request.places)} places, such as {ids[0]}",
            fix="it stays missing; another source or model may have it",
        )
        for name, ids in not_offered.items()
    ]


def _note_short_members(
    reply: RawReply,
    locations: Sequence[dict[str, Any]],
    section: str,
    units: Mapping[str, str],
    n_members: int,
) -> list[Finding]:
    findings = []
    for name in units:
        keys = [_key(name, member) for member in range(n_members)]
        n_least = min(sum(key in location[section] for key in keys) for location in locations)
        if n_least < n_members:
            found = f"{n_least} members where others have {n_members}; the rest stays missing"
            findings.append(finding(reply, "fewer members", "warning", column=name, found=found))
    return findings
