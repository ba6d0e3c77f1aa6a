"""Some four hundred towns of the world: those that time zones are named for, with their positions.

They come with the time zone database (``zone.tab``, public domain); there is no other gazetteer
here, and no service is asked. Any other place is given by its coordinates, whose time zone is then
taken from the nearest of these towns: near a border that may be the wrong one, so it is told.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from models.errors import ForepawError

_MINUTES, _SECONDS = 60, 3600


class TownError(ForepawError):
    """A town is not in the table."""


@dataclass(frozen=True)
class Town:
    """A town: degrees north and east, its time zone, its country (ISO 3166-1)."""

    name: str
    latitude: float
    longitude: float
    time_zone: str
    country: str


@cache
def towns() -> dict[str, Town]:
    """Return the towns by name in lower case."""
    table = files("tzdata").joinpath("zoneinfo", "zone.tab").read_text(encoding="utf-8")
    found = {}
    for line in table.splitlines():
        if line.startswith("#") or not line.strip():
            continue
        country, position, zone = line.split("\t")[:3]
        name = zone.rpartition("/")[2].replace("_", " ")
        latitude, longitude = _degrees(position)
        found[name.casefold()] = Town(name, latitude, longitude, zone, country)
    return found


def find_town(name: str) -> Town:
    """Return a town by its English name; the error names the nearest spelling and the other way."""
    known = towns()
    wanted = " ".join(name.casefold().replace("_", " ").split())
    if wanted in known:
        return known[wanted]
    near = difflib.get_close_matches(wanted, known, n=1)
    hint = f"did you mean {known[near[0]].name!r}? Else g" if near else "g"
    raise TownError(
        f"the town {name!r} was named; it is not among the {len(known)} that are known by name: "
        f"{hint}ive --latitude and --longitude, and --name for the practice"
    )


def nearest_town(latitude: float, longitude: float, *, country: str | None = None) -> Town:
    """Return the nearest town, along the great circle; of a country if it has one."""
    own = [town for town in towns().values() if town.country == country]
    return min(own or towns().values(), key=lambda town: _angle(latitude, longitude, town))


def _angle(latitude: float, longitude: float, town: Town) -> float:
    one, two = math.radians(latitude), math.radians(town.latitude)
    apart = math.radians(longitude - town.longitude)
    half = math.sin((two - one) / 2) ** 2 + math.cos(one) * math.cos(two) * math.sin(apart / 2) ** 2
    return 2 * math.asin(min(1.0, math.sqrt(half)))


def _degrees(position: str) -> tuple[float, float]:
    """Read a position as ISO 6709 writes it: +-DDMM+-DDDMM or +-DDMMSS+-DDDMMSS."""
    parts = re.fullmatch(r"([+-]\d{4,6})([+-]\d{5,7})", position)
    if parts is None:
        raise TownError(f"the time zone database has the position {position!r}, which is none")
    return _angle_of(parts[1], 2), _angle_of(parts[2], 3)


def _angle_of(text: str, n_degrees: int) -> float:
    sign, digits = (-1.0 if text[0] == "-" else 1.0), text[1:]
    degrees, minutes = int(digits[:n_degrees]), int(digits[n_degrees : n_degrees + 2])
    seconds = int(digits[n_degrees + 2 :] or 0)
    return round(sign * (degrees + minutes / _MINUTES + seconds / _SECONDS), 4)
