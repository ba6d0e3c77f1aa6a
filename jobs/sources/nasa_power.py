"""NASA POWER: daily weather of any point on earth, from a reanalysis and from satellites.

One request a grid cell and span of days, in UTC days. Values of the last days are missing, and
those of the last months are replaced later. Beyond its last day the service gives fewer days than
asked, without an error.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, cast

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from forecast.climate.variables import variables
from forecast.findings import Finding
from jobs.sources.parsing import (
    attributes,
    drift,
    finding,
    inside,
    position_coordinates,
    read_json,
    require,
)
from jobs.sources.source import Parsed, Place, RawReply, Request, Source, SourceSettings
from jobs.sources.spans import days_asked, spans
from jobs.sources.stations import check_options
from models.parameters import ParameterTable, load_table

_PATH = "/api/temporal/daily/point"


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return one request a grid cell and span of days."""
    check_options(source, settings, ())
    community = str(_table()["request.community"].value)
    asked = []
    for cell in _by_cell(places):
        for start, end in spans(source, first, last):
            params = {
                "parameters": ",".join(_parameters().values()),
                "community": community,
                "longitude": f"{cell[0].longitude:.4f}",
                "latitude": f"{cell[0].latitude:.4f}",
                "start": f"{start:%Y%m%d}",
                "end": f"{end:%Y%m%d}",
                "format": "JSON",
                "time-standard": "UTC",
            }
            asked.append(
                Request(
                    source_id=source.id,
                    method="GET",
                    url=source.base_url + _PATH,
                    params=tuple(params.items()),
                    places=tuple(cell),
                    first=start,
                    last=end,
                    variables=tuple(_parameters()),
                )
            )
    return asked


def parse(reply: RawReply) -> Parsed:
    """Read one cell's days; every place of the request gets them.

    Raises
    ------
    FormatError
        If a parameter is missing or in another unit, the days are not UTC days, or it is no reply
        of this service.
    """
    tree = read_json(reply)
    header = _header(tree, reply)
    days = days_asked(reply)
    findings = _about(tree, header, reply)
    coordinates = position_coordinates(reply.request.places)
    dataset = xr.Dataset(coords=coordinates | {"time": ("time", days, {"standard_name": "time"})})
    n_places = len(reply.request.places)
    for name in reply.request.variables:
        values = _values(tree, name, days, header, reply)
        attrs = variables()[name].attributes
        dataset[name] = (("region", "time"), np.tile(values, (n_places, 1)), attrs)
        findings += _about_missing(values, days, name, reply)
    dataset.attrs = attributes(reply, version=_version(header))
    return Parsed(dataset, tuple(findings))


# ------------------------------------------------------------------------------ what it is called
def _table() -> ParameterTable:
    return load_table("jobs.sources", "nasa_power.toml")


def _parameters() -> dict[str, str]:
    """Return the service's name of each variable of the house."""
    return {name: str(_table()[f"{name}.parameter"].value) for name in variables()}


def _by_cell(places: Sequence[Place]) -> list[list[Place]]:
    steps = _table().number("cell.latitude"), _table().number("cell.longitude")
    cells: dict[tuple[int, int], list[Place]] = {}
    for place in places:
        cell = (round(place.latitude / steps[0]), round(place.longitude / steps[1]))
        cells.setdefault(cell, []).append(place)
    return list(cells.values())


# ------------------------------------------------------------------------------ the reply
def _header(tree: Any, reply: RawReply) -> Mapping[str, Any]:
    """Return the header of a reply that is one of this service."""
    found = f"keys {', '.join(map(str, tree))}" if isinstance(tree, dict) else type(tree).__name__
    whole = isinstance(tree, dict) and isinstance(tree.get("header"), dict)
    if isinstance(tree, dict) and isinstance(tree.get("header"), str):
        found = f"the refusal {tree['header']!r} {tree.get('messages')}"
    require(whole, reply, f"a reply with a header was expected, found {found}")
    header = cast("Mapping[str, Any]", tree["header"])
    zone = header.get("time_standard")
    require(zone == "UTC", reply, f"UTC days were asked for, the reply says time_standard {zone!r}")
    fill = header.get("fill_value")
    plain = isinstance(fill, int | float) and not isinstance(fill, bool)
    require(plain, reply, f"header.fill_value is {fill!r}; without it missing values are not known")
    return header


def _values(
    tree: Any, name: str, days: pd.DatetimeIndex, header: Mapping[str, Any], reply: RawReply
) -> NDArray[np.float64]:
    """Return a variable's values of the days asked for in the house's unit, NaN where missing."""
    parameter = _parameters()[name]
    series = inside(tree, "properties", "parameter", parameter)
    require(isinstance(series, dict), reply, f"parameter {parameter} ({name}) is missing")
    factor, addend = _conversion(tree, name, parameter, reply)
    found = pd.Series(series, dtype=object)
    stamps = pd.to_datetime(found.index.astype("str"), format="%Y%m%d", errors="coerce")
    require(
        not stamps.isna().any() and stamps.is_unique and bool(stamps.isin(days).all()),
        reply,
        f"{parameter} has days that are not among those asked for, or not written YYYYMMDD: "
        f"{', '.join(map(str, found.index[:3]))} ...",
    )
    numbers = pd.to_numeric(found, errors="coerce").set_axis(stamps)
    wrong = numbers.isna()
    if wrong.any():
        at = int(np.argmax(wrong.to_numpy()))
        raise drift(reply, f"{parameter} is {found.iloc[at]!r} on {found.index[at]}")
    kept = numbers.astype(float).where(numbers != float(header["fill_value"]))
    return np.asarray(kept.reindex(days) * factor + addend, dtype=np.float64)


def _conversion(tree: Any, name: str, parameter: str, reply: RawReply) -> tuple[float, float]:
    unit = inside(tree, "parameters", parameter, "units")
    spellings = dict(cast("list[list[str]]", _table()["units.spellings"].value))
    pair = variables()[name].conversion(spellings.get(str(unit), ""))
    require(
        pair is not None,
        reply,
        f"{parameter} ({name}) is in {unit!r}; units that are understood are "
        f"{', '.join(u for u, ours in spellings.items() if variables()[name].conversion(ours))}",
    )
    return cast("tuple[float, float]", pair)


def _version(header: Mapping[str, Any]) -> str:
    release = str(inside(header, "api", "version") or "")
    models = header.get("sources")
    return f"{release} ({', '.join(map(str, models))})" if isinstance(models, list) else release


# ------------------------------------------------------------------------------ what to say
def _about(tree: Any, header: Mapping[str, Any], reply: RawReply) -> list[Finding]:
    findings = []
    messages = tree.get("messages")
    if messages:
        said = "; ".join(map(str, messages)) if isinstance(messages, list) else str(messages)
        findings.append(finding(reply, "the service says", "warning", found=said))
    end = str(header.get("end", ""))
    if reply.request.last is not None and end < f"{reply.request.last:%Y%m%d}":
        findings.append(
            finding(reply, "fewer days than asked", "note", found=f"its last day is {end or '?'}")
        )
    height = _height(tree)
    for place in reply.request.places:
        if abs(height - place.elevation) >= _table().number("height.told_from"):
            found = f"region {place.id}: {place.elevation:g} m, its cell on average {height:g} m"
            findings.append(finding(reply, "another height", "warning", found=found))
    return findings


def _height(tree: Any) -> float:
    """Return the mean height of the grid cell [m], NaN where it is not told."""
    point = inside(tree, "geometry", "coordinates")
    told = isinstance(point, list) and len(point) > 2 and isinstance(point[2], int | float)
    return float(point[2]) if told else float("nan")


def _about_missing(
    values: NDArray[np.float64], days: pd.DatetimeIndex, name: str, reply: RawReply
) -> list[Finding]:
    missing = np.isnan(values)
    if not missing.any():
        return []
    held = np.flatnonzero(~missing)
    until = f"{days[held[-1]]:%Y-%m-%d}" if len(held) else "none"
    found = f"{int(missing.sum())} of {len(days)} days; the last value is of {until}"
    return [finding(reply, "values missing", "note", column=name, found=found)]
