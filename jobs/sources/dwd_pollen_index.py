"""The German weather service's pollen index: classes 0 to 3 for today and two days ahead.

One file holds 27 areas; the settings say which area a region of the practice lies in (``areas``).
The index is an order of classes and no concentration: it is kept as ``pollen_index``, a quantity of
its own, and never mixed with counts. Its days run from the date inside the file, so that an old
file speaks of days gone by. The service keeps no past files.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

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
from jobs.sources.source import (
    MODELLED,
    VALUE_KIND,
    Parsed,
    Place,
    RawReply,
    RefusedError,
    Request,
    Source,
    SourceSettings,
)
from jobs.sources.stations import NONE, check_options, named_stations
from models.parameters import ParameterTable, load_table

_PATH = "/climate_environment/health/alerts/s31fg.json"
_STAMP = "%Y-%m-%d %H:%M Uhr"


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return the one request; regions without an area in the settings get nothing.

    Raises
    ------
    RefusedError
        If no area is given, or one that is not among the 27.
    """
    check_options(source, settings, ("areas",))
    named = named_stations(source, places, settings, option="areas")
    known = {str(area): str(name) for area, name in _pairs("areas.names")}
    given = {place: area for place, area in named.items() if area}
    for place, area in given.items():
        _check_area(source, place, area, known)
    if not given:
        raise RefusedError(
            f"{source.name}: no region has an area; give each its own in the settings, such as "
            f"areas = {{ {places[0].id if places else 'region'} = 50 }}, or {NONE!r}; areas are "
            f"{', '.join(f'{area} {name}' for area, name in known.items())}"
        )
    return [
        Request(
            source_id=source.id,
            method="GET",
            url=source.base_url + _PATH,
            places=tuple(place for place in places if place.id in given),
            first=first,
            last=last,
            stations=tuple(given.items()),
            conditional=True,
        )
    ]


def parse(reply: RawReply) -> Parsed:
    """Read the areas asked for.

    ``pollen_index`` has dims (region, allergen, time), half steps are classes in between, NaN is
    not available; time is the date in the file and the two days after it, whatever was asked for.

    Raises
    ------
    FormatError
        If an area, a plant or a day is missing, the date of the file cannot be read or lies ahead,
        or a class is not in the legend.
    """
    tree = read_json(reply)
    published = _published(tree, reply)
    _check_legend(tree, reply)
    areas = _areas(tree, reply)
    plants = {name: allergen for name, allergen in _pairs("plants.names") if allergen}
    keys = cast("list[str]", _table()["days.keys"].value)
    area_of = dict(reply.request.stations)
    values = np.array(
        [_values(areas, area_of[place.id], plants, keys, reply) for place in reply.request.places]
    )
    days = pd.date_range(published.normalize().tz_localize(None), periods=len(keys), freq="D")
    dataset = _dataset(values, list(plants.values()), days, reply)
    findings = _about_age(published, reply) + _about_plants(areas, area_of, reply)
    return Parsed(dataset, tuple(findings))


def _table() -> ParameterTable:
    return load_table("jobs.sources", "dwd_pollen_index.toml")


def _pairs(key: str) -> list[list[Any]]:
    return cast("list[list[Any]]", _table()[key].value)


def _check_area(source: Source, place: str, area: str, known: Mapping[str, str]) -> None:
    if area in known:
        return
    # a whole region such as 30 has parts 31 and 32; the index is given for these
    parts = [k for k in known if area.endswith("0") and k[:-1] == area[:-1]]
    hint = f"it has the parts {', '.join(f'{p} {known[p]}' for p in parts)}" if parts else ""
    listed = hint or f"areas are {', '.join(f'{a} {name}' for a, name in known.items())}"
    raise RefusedError(f"{source.name}: region {place} is given the area {area}; {listed}")


# ------------------------------------------------------------------------------ the file
def _published(tree: Any, reply: RawReply) -> pd.Timestamp:
    """Return when the file was made, in German time."""
    text = inside(tree, "last_update")
    zone = ZoneInfo(str(_table()["days.zone"].value))
    try:
        published = pd.Timestamp(datetime.strptime(str(text), _STAMP).replace(tzinfo=zone))
    except ValueError as error:
        raise drift(reply, f"last_update is {text!r}, not like '2026-04-14 11:00 Uhr'") from error
    ahead = published - pd.Timestamp(reply.retrieved_at)
    require(ahead <= timedelta(days=1), reply, f"last_update is {text!r}, which lies ahead")
    return published


def _check_legend(tree: Any, reply: RawReply) -> None:
    """Refuse a legend of other classes: numbers would then mean something else."""
    legend = inside(tree, "legend")
    require(isinstance(legend, dict), reply, "its legend is missing")
    named = {str(v) for key, v in legend.items() if not str(key).endswith("_desc")}
    known = {str(name) for name, _ in _pairs("classes.coded")}
    require(
        named == known,
        reply,
        f"its legend has the classes {', '.join(sorted(named))}, not {', '.join(sorted(known))}",
    )


def _areas(tree: Any, reply: RawReply) -> dict[str, dict[str, Any]]:
    """Return the areas by id: the part's, or the region's where it has no parts."""
    content = inside(tree, "content")
    require(isinstance(content, list), reply, "its list of areas (content) is missing")
    areas = {}
    for item in content:
        part, region = inside(item, "partregion_id"), inside(item, "region_id")
        plants = inside(item, "Pollen")
        whole = isinstance(part, int) and isinstance(region, int) and isinstance(plants, dict)
        require(whole, reply, f"an area has partregion_id {part!r} and region_id {region!r}")
        areas[str(region if part == -1 else part)] = plants
    asked = [area for _, area in reply.request.stations]
    missing = [area for area in asked if area not in areas]
    require(
        not missing,
        reply,
        f"area {', '.join(missing)} is missing, it has {', '.join(areas) or 'none'}",
    )
    return areas


def _values(
    areas: Mapping[str, Mapping[str, Any]],
    area: str,
    plants: Mapping[str, str],
    keys: Sequence[str],
    reply: RawReply,
) -> NDArray[np.float64]:
    """Return an area's classes, dims (allergen, day)."""
    return np.array(
        [
            [_coded(inside(areas[area], p, k), f"{p} {k} of area {area}", reply) for k in keys]
            for p in plants
        ]
    )


def _coded(text: Any, where: str, reply: RawReply) -> float:
    coded = {str(name): float(number) for name, number in _pairs("classes.coded")}
    if isinstance(text, str) and text.strip() == _table()["classes.not_available"].value:
        return float("nan")
    if not isinstance(text, str) or text.strip() not in coded:
        raise drift(reply, f"{where} is {text!r}, not one of {', '.join(coded)} or -1")
    return coded[text.strip()]


def _dataset(
    values: NDArray[np.float64], allergens: list[str], days: pd.DatetimeIndex, reply: RawReply
) -> xr.Dataset:
    index = xr.DataArray(
        values,
        dims=("region", "allergen", "time"),
        attrs={
            "units": "1",
            "long_name": "pollen index 0-3",
            "comment": "an order of classes, no concentration; half steps are classes in between",
            VALUE_KIND: MODELLED,
        },
    )
    return xr.Dataset(
        {"pollen_index": index},
        coords=position_coordinates(reply.request.places)
        | {
            "allergen": np.array(allergens, dtype=object),
            "time": ("time", days, {"standard_name": "time"}),
        },
        attrs=attributes(reply) | {VALUE_KIND: MODELLED},
    )


# ------------------------------------------------------------------------------ what to say
def _about_age(published: pd.Timestamp, reply: RawReply) -> list[Finding]:
    age = (pd.Timestamp(reply.retrieved_at) - published) / pd.Timedelta(hours=1)
    if age <= _table().number("days.stale_after"):
        return []
    found = (
        f"the file is of {published:%Y-%m-%d %H:%M}, {age:.0f} hours old; its days run from then"
    )
    fix = "the service has not renewed it; it is asked again next time"
    return [finding(reply, "old file", "warning", found=found, fix=fix)]


def _about_plants(
    areas: Mapping[str, Mapping[str, Any]], area_of: Mapping[str, str], reply: RawReply
) -> list[Finding]:
    known = {name for name, _ in _pairs("plants.names")}
    others = sorted({str(p) for area in area_of.values() for p in areas[area]} - known)
    if not others:
        return []
    return [finding(reply, "plants not known", "note", found=", ".join(others))]
