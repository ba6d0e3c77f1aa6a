"""MeteoSwiss open data: what its station data sets share.

A data set is a STAC collection: an item a station, whose assets are CSV files (separated by
semicolons, Windows-1252, CRLF, an empty cell is missing). The list of stations is such a file too.
Files are asked for only when they have changed.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from datetime import date
from typing import Any, cast
from urllib.parse import urlsplit

import pandas as pd

from jobs.sources.parsing import drift, inside, read_json, require
from jobs.sources.source import (
    Content,
    Place,
    RawReply,
    Request,
    Source,
    SourceSettings,
    find_source,
)
from jobs.sources.stations import (
    Pairs,
    Reach,
    Station,
    check_options,
    choose_stations,
    named_stations,
)
from models.parameters import ParameterTable

_ENCODING = "cp1252"
_KNOWN_FILE = r"[hdy](_(now|recent|historical(_\d{4}-\d{4})?))?\.csv"
_BOM = b"\xef\xbb\xbf"
_STATION_COLUMNS = (
    "station_abbr",
    "station_coordinates_wgs84_lat",
    "station_coordinates_wgs84_lon",
    "station_height_masl",
)


def first_requests(
    source: Source,
    places: Sequence[Place],
    first: date,
    last: date,
    settings: SourceSettings,
    *,
    data_set: str,
) -> list[Request]:
    """Return requests for the items of the stations named, and for the list where one is not."""
    check_options(source, settings, ("stations",))
    named = named_stations(source, places, settings)
    pairs = tuple((place, station) for place, station in named.items() if station)
    asked = _item_requests(source, places, first, last, pairs, data_set=data_set)
    open_places = tuple(place for place in places if place.id not in named)
    if open_places:
        url = f"{source.base_url}/ch.meteoschweiz.{data_set}/{data_set}_meta_stations.csv"
        asked.append(_listing(source, url, open_places, first, last, (), content="text"))
    return asked


def follow(
    source: Source, reply: RawReply, *, data_set: str, rules: ParameterTable, spans: Sequence[str]
) -> list[Request]:
    """Return what comes after the list of stations (items) or after an item (its files).

    `spans` are the endings of the names of the files wanted, as regular expressions.
    """
    asked = reply.request
    first, last = cast(date, asked.first), cast(date, asked.last)
    if asked.content == "text":
        reach = Reach(rules.number("station.within"), rules.number("station.metres"))
        pairs = choose_stations(source, asked.places, read_stations(reply), reach)
        return _item_requests(source, asked.places, first, last, pairs, data_set=data_set)
    return [
        Request(
            source_id=source.id,
            method="GET",
            url=url,
            places=asked.places,
            first=first,
            last=last,
            stations=asked.stations,
            content="text",
            conditional=True,
        )
        for url in _files(source, reply, data_set, spans)
    ]


def read_stations(reply: RawReply) -> list[Station]:
    """Return the stations of a data set's list."""
    table = read_table(reply, _STATION_COLUMNS)
    found = []
    for row in table.itertuples(index=False):
        name, latitude, longitude, height = (getattr(row, column) for column in _STATION_COLUMNS)
        try:
            metres = float(height) if height else float("nan")
            found.append(Station(name, float(latitude), float(longitude), metres))
        except ValueError as error:
            where = f"{latitude!r}, {longitude!r}, {height!r} m"
            raise drift(reply, f"station {name!r} lies at {where}") from error
    require(bool(found), reply, "its list of stations is empty")
    return found


def read_table(reply: RawReply, columns: Sequence[str]) -> pd.DataFrame:
    """Return a CSV file as texts; `columns` must be among its own.

    Raises
    ------
    FormatError
        If columns are missing, or a row has more or fewer cells than there are columns.
    """
    text = reply.body.removeprefix(_BOM).decode(_ENCODING, errors="replace")
    try:
        rows = [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=";") if row]
    except csv.Error as error:
        raise drift(reply, f"it is no table separated by semicolons ({error})") from error
    header = [cell.strip() for cell in rows[0]] if rows else []
    require(len(set(header)) == len(header), reply, "a column stands in it twice")
    missing = [column for column in columns if column not in header]
    require(
        not missing,
        reply,
        f"column {', '.join(missing)} is missing, its headings are {';'.join(header)[:100]!r}",
    )
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(header):
            raise drift(reply, f"row {number} has {len(row)} cells, not {len(header)}")
    cells = [[cell.strip() for cell in row] for row in rows[1:]]
    return pd.DataFrame(cells, columns=pd.Index(header), dtype="str")


def read_stamps(table: pd.DataFrame, reply: RawReply, *, hours: Sequence[int]) -> pd.DatetimeIndex:
    """Return the days of ``reference_timestamp`` (dd.mm.yyyy HH:MM, UTC); only these hours occur.

    The stamp of a day is its beginning.
    """
    texts = table["reference_timestamp"]
    stamps = pd.to_datetime(texts, format="%d.%m.%Y %H:%M", errors="coerce")
    wrong = stamps.isna() | ~stamps.dt.hour.isin(hours) | (stamps.dt.minute != 0)
    if wrong.any():
        at = int(wrong.to_numpy().argmax())
        raise drift(
            reply,
            f"reference_timestamp in row {at + 2} is {texts.iloc[at]!r}, no day written "
            f"dd.mm.yyyy HH:MM at {' or '.join(f'{hour:02}:00' for hour in hours)} UTC",
        )
    return pd.DatetimeIndex(stamps).floor("D")


def check_station(table: pd.DataFrame, reply: RawReply) -> None:
    """Refuse a file that is not of the station asked for."""
    asked = {station.upper() for _, station in reply.request.stations if station}
    found = {station.upper() for station in table["station_abbr"]}
    require(
        found <= asked,
        reply,
        f"the file is of station {', '.join(sorted(found))}, asked was {', '.join(sorted(asked))}",
    )


# ------------------------------------------------------------------------------ listings
def _listing(
    source: Source,
    url: str,
    places: tuple[Place, ...],
    first: date,
    last: date,
    pairs: Pairs,
    *,
    content: Content,
) -> Request:
    return Request(
        source_id=source.id,
        method="GET",
        url=url,
        places=places,
        first=first,
        last=last,
        stations=pairs,
        content=content,
        role="listing",
        conditional=True,
    )


def _item_requests(
    source: Source,
    places: Sequence[Place],
    first: date,
    last: date,
    pairs: Pairs,
    *,
    data_set: str,
) -> list[Request]:
    stations = list(dict.fromkeys(station for _, station in pairs if station))
    asked: list[Request] = []
    for station in stations:
        some = tuple(pair for pair in pairs if pair[1] == station)
        served = {place for place, _ in some}
        # places without a station are told with the first request
        told = () if asked else tuple(pair for pair in pairs if not pair[1])
        url = (
            f"{source.base_url}/api/stac/v1/collections/ch.meteoschweiz.{data_set}"
            f"/items/{station.lower()}"
        )
        own = tuple(place for place in places if place.id in served)
        asked.append(_listing(source, url, own, first, last, some + told, content="json"))
    return asked


def _files(source: Source, reply: RawReply, data_set: str, spans: Sequence[str]) -> list[str]:
    """Return the addresses of an item's files that are wanted."""
    tree = read_json(reply)
    assets = inside(tree, "assets")
    require(isinstance(assets, dict) and bool(assets), reply, "the item of a station has no assets")
    station = str(tree.get("id", "")).lower()
    start = rf"{data_set}_{re.escape(station)}_"
    of_span = {
        span: [name for name in assets if re.fullmatch(rf"{start}{span}\.csv", name)]
        for span in spans
    }
    found = [name for names in of_span.values() for name in names]
    require(
        bool(found),
        reply,
        f"the item {station!r} has none of the files wanted, only {', '.join(assets)}",
    )
    # a young station has no history; a renamed file looks the same but for its name
    strange = [name for name in assets if not re.fullmatch(start + _KNOWN_FILE, name)]
    if strange and not all(of_span.values()):
        raise drift(
            reply, f"the item {station!r} lacks a file and has unknown ones: {', '.join(strange)}"
        )
    return [_address(source, reply, name, inside(assets, name, "href")) for name in found]


def _address(source: Source, reply: RawReply, name: str, link: Any) -> str:
    """Return where a file is on the service's own host, or on what stands in for it."""
    own, given = urlsplit(source.base_url), urlsplit(str(link))
    published = urlsplit(find_source(source.id).base_url)
    if given.netloc == own.netloc:
        return f"{own.scheme}://{own.netloc}{given.path}"
    require(given.netloc == published.netloc, reply, f"the file {name} lies at {link!r}, elsewhere")
    return source.base_url + given.path
