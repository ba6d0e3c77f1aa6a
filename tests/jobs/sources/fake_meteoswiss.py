"""MeteoSwiss open data of pollen and phenology, as its documentation describes them.

STAC items name the files; files are Windows-1252 with CRLF and semicolons, an empty cell is
missing. Hours are stamped at their end, days at their beginning; hourly history is split by decade.
Every answer has an ETag, which changes only when its content does.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from local_server import Answer, Asked, Route

# abbreviation: name, latitude, longitude, metres
POLLEN_STATIONS = {
    "PZH": ("Zürich", 47.378, 8.566, 556.0),
    "PBE": ("Bern", 46.949, 7.439, 540.0),
    "PLO": ("Locarno", 46.173, 8.788, 367.0),
}
OBSERVERS = {
    "WAE": ("Wädenswil", 47.221, 8.678, 485.0),
    "UET": ("Üetliberg", 47.350, 8.490, 850.0),  # nearer to Zürich, and far above it
}
TAXA = ("kabetu", "khpoac", "kaalnu", "kacory", "kafagu", "kafrax", "kaquer")
AUTOMATIC_SINCE = date(2023, 1, 1)
_CRLF = "\r\n"


def count(code: str, day: date) -> int:
    """Return the invented daily mean: ten times the place of the taxon, and the weekday."""
    return 10 * TAXA.index(code) + day.weekday()


@dataclass
class FakeMeteoSwiss:
    """The service on a day.

    Attributes
    ----------
    today
        Recent files end the day before.
    empty
        Cells left empty, by station, column and day.
    changed
        Text put for another in every file, to play drift or a correction.
    hide
        Beginnings of names of assets that items do not list.
    host
        Host in the links of items; None is the server's own.
    """

    today: date = date(2026, 6, 10)
    empty: set[tuple[str, str, date]] = field(default_factory=set)
    changed: dict[str, str] = field(default_factory=dict)
    hide: tuple[str, ...] = ()
    host: str | None = None
    spoil: Callable[[dict[str, Any]], None] | None = None
    flowering: dict[tuple[str, str], str] = field(
        default_factory=lambda: {
            ("WAE", "mcora60d"): "20260128",
            ("WAE", "mbetp60d"): "20260405",
            ("WAE", "mbetp65d"): "20260411",
        }
    )

    def routes(self) -> dict[str, Route]:
        """Return what answers at which path."""
        return {
            "/api/stac/v1/collections/ch.meteoschweiz.ogd-pollen/items/": self._item,
            "/api/stac/v1/collections/ch.meteoschweiz.ogd-phenology/items/": self._item,
            "/ch.meteoschweiz.ogd-pollen/": self._pollen_file,
            "/ch.meteoschweiz.ogd-phenology/": self._phenology_file,
        }

    # -------------------------------------------------------------------------- items
    def _item(self, asked: Asked) -> Answer:
        data_set = asked.path.split("ch.meteoschweiz.")[1].split("/")[0]
        station = asked.path.rpartition("/")[2]
        known = POLLEN_STATIONS if data_set == "ogd-pollen" else OBSERVERS
        if station != station.lower() or station.upper() not in known:
            return Answer(404, b'{"code":404,"description":"Item not found"}')
        name, latitude, longitude, _ = known[station.upper()]
        host = self.host or asked.headers["host"]
        point = [longitude, latitude]
        tree: dict[str, Any] = {
            "type": "Feature",
            "stac_version": "1.0.0",
            "id": station,
            "collection": f"ch.meteoschweiz.{data_set}",
            "geometry": {"type": "Point", "coordinates": point},
            "bbox": [*point, *point],
            "properties": {"title": name, "updated": f"{self.today}T08:10:11Z"},
            "links": [],
            "assets": {
                file: {
                    "type": "text/csv",
                    "href": f"https://{host}/ch.meteoschweiz.{data_set}/{station}/{file}",
                    "updated": f"{self.today}T12:03:00Z",
                }
                for file in self._names(data_set, station)
                if not file.startswith(self.hide or ("none",))
            },
        }
        if self.spoil is not None:
            self.spoil(tree)
        return self._tagged(json.dumps(tree).encode(), "application/json")

    def _names(self, data_set: str, station: str) -> list[str]:
        start = f"{data_set}_{station}"
        if data_set == "ogd-phenology":
            return [f"{start}_y.csv"]
        return [
            f"{start}_h_now.csv",
            f"{start}_h_recent.csv",
            f"{start}_h_historical_2020-2029.csv",
            f"{start}_d_recent.csv",
            f"{start}_d_historical.csv",
            f"{start}_y.csv",
        ]

    # -------------------------------------------------------------------------- files
    def _pollen_file(self, asked: Asked) -> Answer:
        name = asked.path.rpartition("/")[2]
        if name == "ogd-pollen_meta_stations.csv":
            return self._text(self._list(POLLEN_STATIONS))
        station, grain = name.split("_")[1].upper(), name.split("_")[2]
        new_year = self.today.replace(month=1, day=1)
        if grain == "h":
            return self._text(self._hours(station))
        if name.endswith("_d_recent.csv"):
            return self._text(self._days(station, new_year, self.today - timedelta(days=1)))
        if name.endswith("_d_historical.csv"):
            return self._text(self._days(station, date(2022, 12, 30), new_year - timedelta(days=1)))
        return Answer(404, b"")

    def _days(self, station: str, first: date, last: date) -> str:
        columns = [code + day for code in TAXA for day in ("d0", "d1")]
        lines = [";".join(["station_abbr", "reference_timestamp", *columns])]
        for n in range((last - first).days + 1):
            day = first + timedelta(days=n)
            cells = [self._cell(station, column, day) for column in columns]
            lines.append(";".join([station, f"{day:%d.%m.%Y} 00:00", *cells]))
        return _CRLF.join([*lines, ""])

    def _cell(self, station: str, column: str, day: date) -> str:
        code, kind = column[:-2], column[-2:]
        if (station, column, day) in self.empty or (kind == "d1" and day < AUTOMATIC_SINCE):
            return ""
        # the other day, from 06 to 06, has one grain more
        return str(count(code, day) + (kind == "d0"))

    def _hours(self, station: str) -> str:
        lines = [";".join(["station_abbr", "reference_timestamp", *(c + "h0" for c in TAXA)])]
        for hour in range(1, 24):  # stamps are the ends of the hours
            stamp = f"{self.today:%d.%m.%Y} {hour:02}:00"
            lines.append(";".join([station, stamp, *["7"] * len(TAXA)]))
        return _CRLF.join([*lines, ""])

    def _phenology_file(self, asked: Asked) -> Answer:
        name = asked.path.rpartition("/")[2]
        if name == "ogd-phenology_meta_stations.csv":
            return self._text(self._list(OBSERVERS))
        station = name.split("_")[1].upper()
        codes = ["mcora60d", "mcora60e", "mbetp13d", "mbetp60d", "mbetp65d"]
        lines = [";".join(["station_abbr", "reference_timestamp", *codes])]
        for year in (2025, 2026):
            cells = [self.flowering.get((station, code), "") for code in codes]
            own = [cell if cell.startswith(str(year)) else "" for cell in cells]
            lines.append(";".join([station, f"01.01.{year} 00:00", *own]))
        return self._text(_CRLF.join([*lines, ""]))

    def _list(self, stations: dict[str, tuple[str, float, float, float]]) -> str:
        columns = (
            "station_abbr;station_name;station_canton;station_height_masl;"
            "station_coordinates_wgs84_lat;station_coordinates_wgs84_lon;station_url_en"
        )
        rows = [
            f'{abbr};{name};ZH;{height};{latitude};{longitude};"https://example.org/?a=1;b=2"'
            for abbr, (name, latitude, longitude, height) in stations.items()
        ]
        return _CRLF.join([columns, *rows, ""])

    def _text(self, text: str) -> Answer:
        for old, new in self.changed.items():
            text = text.replace(old, new)
        return self._tagged(text.encode("cp1252"), "text/csv")

    def _tagged(self, body: bytes, content_type: str) -> Answer:
        tag = hashlib.sha256(body).hexdigest()[:12]
        return Answer(body=body, content_type=content_type, headers={"ETag": f'"{tag}"'})
