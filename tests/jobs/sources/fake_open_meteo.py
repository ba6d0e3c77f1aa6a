"""The Open-Meteo family as its documentation and source code describe it, with invented numbers.

Values are a plain function of place, day, variable and member (`value`), so that a test can say
what must come out.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from local_server import Answer, Asked, Route

# name: (unit, decimals); wind in m/s where wind_speed_unit=ms is asked, km/h otherwise
DAILY = {
    "temperature_2m_mean": ("°C", 1),
    "temperature_2m_min": ("°C", 1),
    "temperature_2m_max": ("°C", 1),
    "dew_point_2m_mean": ("°C", 1),
    "precipitation_sum": ("mm", 2),
    "relative_humidity_2m_mean": ("%", 0),
    "wind_speed_10m_mean": ("m/s", 2),
    "shortwave_radiation_sum": ("MJ/m²", 2),
}
HOURLY = dict.fromkeys(
    (
        "alder_pollen",
        "birch_pollen",
        "grass_pollen",
        "mugwort_pollen",
        "olive_pollen",
        "ragweed_pollen",
    ),
    ("grains/m³", 1),
)
_BASE = {
    "temperature_2m_mean": 10.0,
    "temperature_2m_min": 5.0,
    "temperature_2m_max": 15.0,
    "dew_point_2m_mean": 4.0,
    "precipitation_sum": 1.0,
    "relative_humidity_2m_mean": 70.0,
    "wind_speed_10m_mean": 3.0,
    "shortwave_radiation_sum": 8.64,
}
_EUROPE = ((30.05, 71.95), (-24.95, 44.95))
_MEMBERS = {"ecmwf_ifs025_ensemble": 51, "ncep_gefs_seamless": 31, "ecmwf_seasonal_seamless": 51}


def value(variable: str, day: date, *, member: int = 0, hour: int = 0) -> float:
    """Return the invented value: its base, a tenth a weekday, a tenth a member; pollen its hour."""
    if variable in HOURLY:
        return float(hour)
    _, decimals = DAILY[variable]
    return round(_BASE[variable] + 0.1 * day.weekday() + 0.1 * member, decimals)


def grid(degrees: float, step: float = 0.25) -> float:
    """Return the cell's coordinate, not quite a round number, as there."""
    return round(round(degrees / step) * step + 0.003, 6)


@dataclass
class FakeOpenMeteo:
    """One server of the family.

    Attributes
    ----------
    today
        The day it is there.
    lag_days
        The last so many days of the archive are null.
    not_offered
        Variables that it does not carry: all null, unit "undefined".
    key
        If set, the only key it takes (401 without, 400 with another).
    spoil
        Changes the tree of every location before it is written, to play drift.
    """

    today: date = date(2026, 6, 10)
    lag_days: int = 5
    not_offered: set[str] = field(default_factory=set)
    key: str | None = None
    spoil: Callable[[dict[str, Any]], None] | None = None
    members: dict[str, int] = field(default_factory=lambda: dict(_MEMBERS))

    def routes(self) -> dict[str, Route]:
        """Return what answers at which path."""
        return {
            "/v1/archive": self._daily,
            "/v1/forecast": self._daily,
            "/v1/ensemble": self._daily,
            "/v1/seasonal": self._daily,
            "/v1/air-quality": self._hourly,
        }

    # -------------------------------------------------------------------------- sections
    def _daily(self, asked: Asked) -> Answer:
        return self._answer(asked, "daily", DAILY, self._days)

    def _hourly(self, asked: Asked) -> Answer:
        return self._answer(asked, "hourly", HOURLY, self._hours)

    def _answer(
        self,
        asked: Asked,
        section: str,
        known: dict[str, tuple[str, int]],
        columns: Callable[..., list[float | None]],
    ) -> Answer:
        refused = self._refused(asked, section, known)
        if refused is not None:
            return refused
        first, last = (date.fromisoformat(asked.one(f"{end}_date")) for end in ("start", "end"))
        days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
        latitudes = [float(word) for word in asked.listed("latitude")]
        longitudes = [float(word) for word in asked.listed("longitude")]
        n_members = self.members.get(asked.one("models"), 1)
        locations = []
        for at, (latitude, longitude) in enumerate(zip(latitudes, longitudes, strict=True)):
            names = asked.listed(section)
            gone = self.not_offered | (
                set(names) if section == "hourly" and not _inside(latitude, longitude) else set()
            )
            units: dict[str, str] = {"time": "iso8601"}
            values: dict[str, Any] = {"time": _times(days, section)}
            for name in names:
                for member in range(n_members):
                    key = f"{name}_member{member:02d}" if member else name
                    units[key] = "undefined" if name in gone else self._unit(asked, name, known)
                    column = columns(asked, name, days, member)
                    values[key] = [None] * len(values["time"]) if name in gone else column
            location = self._head(asked, latitude, longitude, at)
            location |= {f"{section}_units": units, section: values}
            if self.spoil is not None:
                self.spoil(location)
            locations.append(location)
        tree = locations[0] if len(locations) == 1 else locations
        return Answer(body=json.dumps(tree, ensure_ascii=False, separators=(",", ":")).encode())

    def _days(self, asked: Asked, name: str, days: Sequence[date], member: int) -> list[Any]:
        past = asked.path == "/v1/archive"
        known_to = self.today - timedelta(days=self.lag_days) if past else date.max
        week = [value(name, date(2024, 1, 1 + n), member=member) for n in range(7)]
        return [None if day > known_to else week[day.weekday()] for day in days]

    def _hours(self, asked: Asked, name: str, days: Sequence[date], member: int) -> list[Any]:
        # 97 hours from today's midnight on
        until = datetime(self.today.year, self.today.month, self.today.day) + timedelta(hours=97)
        return [
            value(name, day, hour=hour)
            if datetime(day.year, day.month, day.day, hour) < until
            else None
            for day in days
            for hour in range(24)
        ]

    def _unit(self, asked: Asked, name: str, known: dict[str, tuple[str, int]]) -> str:
        if name.startswith("wind") and asked.one("wind_speed_unit") != "ms":
            return "km/h"
        return known[name][0]

    def _head(self, asked: Asked, latitude: float, longitude: float, at: int) -> dict[str, Any]:
        zone = asked.one("timezone", "GMT")
        head = {
            "latitude": grid(latitude),
            "longitude": grid(longitude),
            "generationtime_ms": 0.3129243850708008,
            "utc_offset_seconds": 0 if zone == "GMT" else 7200,
            "timezone": zone,
            "timezone_abbreviation": "GMT" if zone == "GMT" else "GMT+2",
            "elevation": 431.0,
        }
        return head | ({"location_id": at} if at else {})  # the first has none: its id is 0

    # -------------------------------------------------------------------------- refusals
    def _refused(self, asked: Asked, section: str, known: dict[str, Any]) -> Answer | None:
        if self.key is not None:
            given = asked.headers.get("x-api-key") or asked.one("apikey")
            if not given:
                return error(401, "An API key is needed on this host")
            if given != self.key:
                return error(400, f"The supplied API key {given} is invalid")
        unknown = [name for name in asked.listed(section) if name not in known]
        if unknown:
            return error(400, f"Cannot initialize Variable from invalid String value {unknown[0]}")
        if len(asked.listed("latitude")) != len(asked.listed("longitude")):
            return error(400, "Parameter 'latitude' and 'longitude' must have the same number")
        if len(asked.listed("latitude")) > 1000:
            return error(400, "Only up to 1000 locations can be requested at once")
        first, last = asked.one("start_date"), asked.one("end_date")
        if not (first and last):
            return error(400, "Parameter 'start_date' and 'end_date' must both be set")
        if last < first:
            return error(400, "End-date must be larger or equals than start-date")
        ahead = {"/v1/archive": 0, "/v1/forecast": 15, "/v1/air-quality": 6}.get(asked.path, 216)
        latest = self.today + timedelta(days=ahead)
        if last > latest.isoformat():
            reason = f"Parameter 'end_date' is out of allowed range from 1940-01-01 to {latest}"
            return error(400, reason)
        return None


def error(status: int, reason: str) -> Answer:
    """Return an error as the family writes it."""
    return Answer(status, json.dumps({"error": True, "reason": reason}).encode())


def too_many(what: str) -> Answer:
    """Return one of the four refusals for too many calls; none has a Retry-After."""
    reasons = {
        "minute": "Minutely API request limit exceeded. Please try again in one minute.",
        "hour": "Hourly API request limit exceeded. Please try again in the next hour.",
        "day": "Daily API request limit exceeded. Please try again tomorrow.",
        "concurrent": "Too many concurrent requests",
    }
    return error(429, reasons[what])


def _inside(latitude: float, longitude: float) -> bool:
    (south, north), (west, east) = _EUROPE
    return south <= latitude <= north and west <= longitude <= east


def _times(days: Sequence[date], section: str) -> list[str]:
    if section == "daily":
        return [day.isoformat() for day in days]
    return [f"{day.isoformat()}T{hour:02d}:00" for day in days for hour in range(24)]


def moment(text: str) -> datetime:
    """Return a moment in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)
