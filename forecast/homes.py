"""Homes: which region a postcode or a point lies in, or that it is far off, or not known.

A dog's flares follow the weather of where it lives. An address outside every region is *distant*:
its dog is seen here and flares elsewhere. No address is *not known*. Neither is put into a region
by guess.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from forecast.regions import Region
from models.errors import ForepawError

Place = Literal["region", "distant", "not known"]
PLACES: tuple[Place, ...] = ("region", "distant", "not known")


class HomeError(ForepawError):
    """Postcodes or outlines of regions that cannot be used."""


@dataclass(frozen=True)
class Home:
    """Where a dog lives: a region, a distant place, or not known."""

    place: Place
    region: str | None = None


DISTANT = Home("distant")
NOT_KNOWN = Home("not known")


class HomeFinder:
    """Tell the region of a postcode or a point.

    Parameters
    ----------
    regions
        The practice's regions; `postcodes` holds beginnings of postcodes, `area` the name of a
        GeoJSON file (RFC 7946, WGS 84).
    folder
        The practice folder, in which the outlines lie.

    Raises
    ------
    HomeError
        If two regions list the same beginning, their outlines overlap, or an outline cannot be
        read.
    """

    def __init__(self, regions: Iterable[Region], folder: Path) -> None:
        regions = list(regions)
        self._prefixes = _prefixes(regions)
        self._outlines = [(r.id, _outline(r, folder / r.area)) for r in regions if r.area]
        _refuse_overlap(self._outlines)

    @property
    def tells_postcodes(self) -> bool:
        """Whether any region lists postcodes; without, a postcode tells nothing."""
        return bool(self._prefixes)

    def of_postcode(self, postcode: str | None) -> Home:
        """Return the home of a postcode; the longest beginning that fits decides."""
        code = _plain(postcode)
        if not code or not self._prefixes:
            return NOT_KNOWN
        fits = [prefix for prefix in self._prefixes if code.startswith(prefix)]
        return Home("region", self._prefixes[max(fits, key=len)]) if fits else DISTANT

    def of_point(self, latitude: float, longitude: float) -> Home:
        """Return the home of a point in degrees."""
        if not self._outlines or pd.isna(latitude) or pd.isna(longitude):
            return NOT_KNOWN
        if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
            raise HomeError(
                f"the point {latitude:g} N, {longitude:g} E is not on earth; latitude is -90 to "
                "90, longitude -180 to 180 degrees"
            )
        from shapely import Point

        point = Point(longitude, latitude)
        inside = [region for region, outline in self._outlines if outline.intersects(point)]
        return Home("region", inside[0]) if inside else DISTANT

    def of_postcodes(self, postcodes: pd.Series) -> pd.DataFrame:
        """Return columns place and region for a column of postcodes, each distinct one once."""
        homes = {code: self.of_postcode(code) for code in postcodes.fillna("").unique()}
        found = postcodes.fillna("").map(homes)
        return pd.DataFrame(
            {
                "place": [home.place for home in found],
                "region": pd.Series([home.region for home in found], dtype=object).to_numpy(),
            },
            index=postcodes.index,
        )


def _plain(postcode: str | None) -> str:
    text = "" if postcode is None or pd.isna(postcode) else str(postcode)
    return "".join(letter for letter in text.upper() if letter.isalnum())


def _prefixes(regions: list[Region]) -> dict[str, str]:
    held: dict[str, str] = {}
    for region in regions:
        for written in region.postcodes:
            prefix = _plain(written)
            if not prefix:
                raise HomeError(
                    f"practice.toml: region {region.id} lists the postcode {written!r}; write its "
                    "first letters or digits"
                )
            if held.setdefault(prefix, region.id) != region.id:
                raise HomeError(
                    f"practice.toml: the postcode {written!r} is listed by the regions "
                    f"{held[prefix]} and {region.id}; a home lies in one of them"
                )
    return held


def _outline(region: Region, file: Path) -> Any:
    """Read a GeoJSON outline as one shape."""
    import shapely
    from shapely.geometry import shape

    try:
        tree = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise HomeError(
            f"practice.toml: the outline of region {region.id} was to be read from {file.name}: "
            f"{(error.strerror or '').lower()}; put the file into the practice folder"
        ) from error
    except ValueError as error:
        raise HomeError(
            f"{file.name} is not GeoJSON ({error}); export the outline again"
        ) from error
    parts = tree.get("features", [tree]) if isinstance(tree, dict) else []
    try:
        shapes = [shape(part.get("geometry") or part) for part in parts]
    except (AttributeError, KeyError, TypeError, ValueError, shapely.errors.ShapelyError) as error:
        raise HomeError(
            f"{file.name} holds something that is no GeoJSON shape ({error}); a polygon was asked"
        ) from error
    outline = shapely.union_all(shapes)
    if not shapes or outline.area == 0 or not outline.is_valid:
        raise HomeError(
            f"{file.name} holds no area of which one could say what lies inside; a polygon that "
            "does not cross itself was asked"
        )
    west, south, east, north = outline.bounds
    if south < -90 or north > 90 or west < -180 or east > 180:
        raise HomeError(
            f"{file.name} runs from {west:g}, {south:g} to {east:g}, {north:g}; longitude and "
            "latitude in degrees were asked (WGS 84), so export it unprojected"
        )
    return outline


def _refuse_overlap(outlines: list[tuple[str, Any]]) -> None:
    for number, (one, shape) in enumerate(outlines):
        for other, second in outlines[number + 1 :]:
            if shape.intersection(second).area > 0:
                raise HomeError(
                    f"practice.toml: the outlines of the regions {one} and {other} overlap; a home "
                    "lies in one of them"
                )
