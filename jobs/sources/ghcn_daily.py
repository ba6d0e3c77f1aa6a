"""GHCN-Daily: what weather stations of the world report, through NCEI's access service.

A station is named in the settings (``stations``), or the nearest is taken from the list of what
stations hold: one that still reports, and has done so for long. A value that failed one of the
archive's checks is dropped and told. The day of a station ends at its own time of observation, so
values are a day's, but not the same day's as those of a grid. Most stations have neither humidity
nor wind, and none has radiation: other sources give those.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import cast

from jobs.sources.ghcn_reading import read_elements
from jobs.sources.parsing import drift, require
from jobs.sources.source import Parsed, Place, RawReply, Request, Source, SourceSettings
from jobs.sources.spans import spans
from jobs.sources.stations import (
    Pairs,
    Reach,
    Station,
    check_options,
    choose_stations,
    named_stations,
)
from models.parameters import ParameterTable, load_table

_DATA, _INVENTORY = "/access/services/data/v1", "/pub/data/ghcn/daily/ghcnd-inventory.txt"
_ASKED = ("tasmin", "tasmax", "pr", "hurs", "tdps", "sfcWind")


def requests(
    source: Source, places: Sequence[Place], first: date, last: date, settings: SourceSettings
) -> list[Request]:
    """Return requests for the stations that are named, and for the list where one is not."""
    check_options(source, settings, ("stations",))
    named = named_stations(source, places, settings)
    pairs = tuple((place, station) for place, station in named.items() if station)
    asked = _data_requests(source, places, first, last, pairs)
    open_places = tuple(place for place in places if place.id not in named)
    if open_places:
        asked.append(
            Request(
                source_id=source.id,
                method="GET",
                url=source.base_url + _INVENTORY,
                places=open_places,
                first=first,
                last=last,
                content="text",
                role="listing",
                conditional=True,
            )
        )
    return asked


def follow_up(source: Source, reply: RawReply, settings: SourceSettings) -> list[Request]:
    """Return the requests for the nearest stations, from the list of what stations hold."""
    asked = reply.request
    first, last = cast(date, asked.first), cast(date, asked.last)
    reach = Reach(_table().number("station.within"))
    pairs = choose_stations(source, asked.places, _stations(reply, last), reach)
    return _data_requests(source, asked.places, first, last, pairs)


def parse(reply: RawReply) -> Parsed:
    """Read the days of some stations into the places they stand for.

    ``tas`` is half the sum of the day's extremes. Only variables that one of the stations reports
    are in the dataset.

    Raises
    ------
    FormatError
        If it is no list of station days, a station or day was not asked for, the quality flags are
        missing, or the values are not in metric units.
    """
    return read_elements(reply, {name: _element(name) for name in reply.request.variables})


# ------------------------------------------------------------------------------ asking
def _table() -> ParameterTable:
    return load_table("jobs.sources", "ghcn_daily.toml")


def _element(name: str) -> str:
    return str(_table()[f"{name}.element"].value)


def _data_requests(
    source: Source, places: Sequence[Place], first: date, last: date, pairs: Pairs
) -> list[Request]:
    stations = list(dict.fromkeys(station for _, station in pairs if station))
    without = tuple(pair for pair in pairs if not pair[1])
    size = source.limits.locations_per_request
    asked: list[Request] = []
    for start in range(0, len(stations), size):
        group = stations[start : start + size]
        some = tuple(pair for pair in pairs if pair[1] in group)
        served = {place for place, _ in some}
        for begin, end in spans(source, first, last):
            # places without a station are told with the first request
            told = without if not asked else ()
            params = {
                "dataset": "daily-summaries",
                "stations": ",".join(group),
                "startDate": begin.isoformat(),
                "endDate": end.isoformat(),
                "dataTypes": ",".join(_element(name) for name in _ASKED),
                "units": "metric",
                "format": "json",
                "includeAttributes": "true",
                "includeStationLocation": "true",
            }
            asked.append(
                Request(
                    source_id=source.id,
                    method="GET",
                    url=source.base_url + _DATA,
                    params=tuple(params.items()),
                    places=tuple(place for place in places if place.id in served),
                    first=begin,
                    last=end,
                    variables=_ASKED,
                    stations=some + told,
                )
            )
    return asked


# ------------------------------------------------------------------------------ the list
def _stations(reply: RawReply, last: date) -> list[Station]:
    """Return the stations that hold every element needed, for long and until lately.

    Fixed columns: id 1-11, latitude 13-20, longitude 22-30, element 32-35, first year 37-40, last
    year 42-45.
    """
    wanted = cast("list[str]", _table()["station.least_elements"].value)
    years = _table().number("station.least_years")
    held: dict[str, set[str]] = {}
    positions: dict[str, tuple[float, float]] = {}
    n_read = 0
    for line in reply.body.decode("ascii", errors="replace").splitlines():
        n_read += 1
        if line[31:35] not in wanted:
            continue
        try:
            first_year, last_year = int(line[36:40]), int(line[41:45])
            position = float(line[12:20]), float(line[21:30])
        except ValueError as error:
            raise drift(reply, f"row {n_read} of the list of stations is {line[:60]!r}") from error
        if last_year >= last.year - 1 and last_year - first_year + 1 >= years:
            held.setdefault(line[:11], set()).add(line[31:35])
            positions[line[:11]] = position
    require(bool(positions), reply, f"none of {n_read} rows of the list of stations could be used")
    whole = set(wanted)
    return [Station(name, *positions[name]) for name, found in held.items() if found == whole]
