"""Regions, whose weather dogs live in, and branches, where they are seen."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from forecast.practice import Practice
from models.errors import ForepawError

# ISO 8601 order, so a position is `date.weekday()`.
DAY_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class RegionError(ForepawError):
    """A region or branch is described in a way that cannot be used."""


@dataclass(frozen=True)
class Region:
    """An area with one weather and one set of allergens, from practice.toml."""

    id: str
    name: str
    latitude: float
    longitude: float
    elevation: float
    time_zone: str
    allergens: tuple[str, ...]
    postcodes: tuple[str, ...] = ()
    area: str | None = None


@dataclass(frozen=True)
class Branch:
    """A place where dogs are seen, on which days of the week, in which region."""

    id: str
    name: str
    region_id: str
    open_days: tuple[str, ...]

    def is_open(self, day: date) -> bool:
        """Say whether the branch opens on that day of the week."""
        return DAY_NAMES[day.weekday()] in self.open_days


def parse_open_days(text: str) -> tuple[str, ...]:
    """Read days such as ``mon tue wed``, put in the order of the week."""
    words = text.lower().replace(",", " ").split()
    wrong = [word for word in words if word not in DAY_NAMES]
    if wrong or not words:
        found = repr(wrong[0]) if wrong else "no day"
        raise RegionError(
            f"open days were asked, found {found}; allowed are {' '.join(DAY_NAMES)}, "
            "with spaces between"
        )
    return tuple(day for day in DAY_NAMES if day in words)


def regions(practice: Practice) -> dict[str, Region]:
    """Return the practice's regions by id, every allergen checked against the catalogue."""
    from models.allergens import catalogue

    known = catalogue()
    found = {}
    for section in practice.settings.region:
        _refuse_unknown_allergens(section.id, section.allergens, known)
        found[section.id] = Region(**section.model_dump())
    return found


def _refuse_unknown_allergens(region: str, asked: tuple[str, ...], known: Iterable[str]) -> None:
    catalogue = list(known)
    wrong = [name for name in asked if name not in catalogue]
    if not wrong:
        return
    near = difflib.get_close_matches(wrong[0], catalogue, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise RegionError(
        f"practice.toml: region {region} lists the allergen {wrong[0]!r}, which is not in the "
        f"catalogue{hint} (it holds {', '.join(catalogue)})"
    )
