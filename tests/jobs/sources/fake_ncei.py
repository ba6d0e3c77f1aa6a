"""NCEI's access service for daily summaries, and the list of what stations hold.

Every value is a text padded with blanks; an element not reported that day has no key; without
``units`` values are in native tenths; nothing found is ``[]``; a bad request is 400 with its body,
an overloaded server 503 with a page.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from local_server import Answer, Asked, Route

# Ids in the form of the archive, places about right; what they report is invented.
PARK = "USW00094728"  # New York, 40.78 N 73.97 W, 43 m
VILLAGE = "USC00301309"
# id: latitude, longitude, elevation, elements, first and last year
STATIONS: dict[str, tuple[float, float, float, tuple[str, ...], int, int]] = {
    PARK: (40.7790, -73.9693, 42.7, ("TMAX", "TMIN", "PRCP", "AWND", "RHAV", "ADPT"), 1869, 2026),
    VILLAGE: (41.0330, -73.7330, 77.1, ("TMAX", "TMIN", "PRCP"), 1948, 2026),
    "US1NYNY0074": (40.7969, -73.9330, 6.1, ("PRCP", "SNOW"), 2014, 2026),  # rain alone
    "USW00014732": (40.7794, -73.8803, 3.4, ("TMAX", "TMIN", "PRCP"), 2015, 2026),  # short
    "USC00300958": (40.7800, -73.9700, 30.0, ("TMAX", "TMIN", "PRCP"), 1940, 1990),  # closed
}
_BASE = {
    "TMAX": 25.0,
    "TMIN": 15.0,
    "TAVG": 19.4,
    "PRCP": 2.5,
    "AWND": 2.1,
    "RHAV": 64.0,
    "ADPT": 12.8,
}
_TENTHS = {"TMAX", "TMIN", "TAVG", "PRCP", "AWND", "ADPT"}


def value(element: str, day: date) -> float:
    """Return the invented value in metric units: its base and a tenth a weekday."""
    return round(_BASE[element] + 0.1 * day.weekday(), 1)


@dataclass
class FakeNcei:
    """The service on a day.

    Attributes
    ----------
    today
        The last two days before it are not in yet.
    flags
        Attributes of single values by (station, element, day); others are ``,,W``.
    silent
        Elements that a station did not report on a day.
    spoil
        Changes the list of rows before it is written, to play drift.
    """

    today: date = date(2026, 6, 10)
    flags: dict[tuple[str, str, date], str] = field(default_factory=dict)
    silent: set[tuple[str, str, date]] = field(default_factory=set)
    spoil: Callable[[list[dict[str, Any]]], None] | None = None

    def routes(self) -> dict[str, Route]:
        """Return what answers at which path."""
        return {
            "/access/services/data/v1": self._data,
            "/pub/data/ghcn/daily/ghcnd-inventory.txt": self._inventory,
        }

    def _data(self, asked: Asked) -> Answer:
        if asked.one("dataset") != "daily-summaries":
            return refusal("dataset", "Unsupported dataset.", asked.one("dataset"))
        if asked.one("format") != "json":
            return refusal("format", "The fake speaks JSON alone.", asked.one("format"))
        first, last = (date.fromisoformat(asked.one(f"{end}Date")) for end in ("start", "end"))
        if last < first:
            return refusal("endDate", "endDate is before startDate", str(last))
        rows = [
            self._row(asked, station, first + timedelta(days=n))
            for station in asked.listed("stations")
            if station in STATIONS
            for n in range((last - first).days + 1)
        ]
        rows = [row for row in rows if any(name in _BASE for name in row)]
        if self.spoil is not None:
            self.spoil(rows)
        return Answer(body=json.dumps(rows).encode(), content_type="application/json")

    def _row(self, asked: Asked, station: str, day: date) -> dict[str, str]:
        latitude, longitude, height, elements, first_year, last_year = STATIONS[station]
        row = {"DATE": day.isoformat(), "STATION": station}
        if asked.one("includeStationLocation") in ("true", "1"):
            row |= {"LATITUDE": f"{latitude:.4f}", "LONGITUDE": f"{longitude:.4f}"}
            row["ELEVATION"] = f"{height:.1f}"
        known = first_year <= day.year <= last_year and day <= self.today - timedelta(days=3)
        for element in asked.listed("dataTypes"):
            if element not in elements or not known or (station, element, day) in self.silent:
                continue
            number = value(element, day)
            metric = asked.one("units") == "metric"
            tenths = not metric and element in _TENTHS
            text = f"{round(number * 10)}" if tenths else f"{number:.1f}"
            row[element] = text.rjust(7)
            if asked.one("includeAttributes") in ("true", "1"):
                usual = ",,W,0700" if station == VILLAGE else ",,W"
                row[f"{element}_ATTRIBUTES"] = self.flags.get((station, element, day), usual)
        return row

    def _inventory(self, asked: Asked) -> Answer:
        lines = [
            f"{station} {latitude:8.4f} {longitude:9.4f} {element} {first} {last}"
            for station, (latitude, longitude, _, elements, first, last) in STATIONS.items()
            for element in elements
        ]
        return Answer(
            body=("\n".join(lines) + "\n").encode(),
            content_type="text/plain",
            headers={"ETag": '"inventory-1"'},
        )


def refusal(field_name: str, message: str, given: str) -> Answer:
    """Return a bad request as the service writes it."""
    tree = {
        "errorCode": 400,
        "errorMessage": "Bad Request",
        "errors": [{"field": field_name, "message": message, "value": given}],
    }
    return Answer(400, json.dumps(tree).encode(), "application/json")
