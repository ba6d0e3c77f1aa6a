"""Regions, whose weather dogs live in, and branches, where they are seen."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time
from itertools import pairwise

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
class Hours:
    """A span in which a branch is open on one day of the week; local time."""

    day: str
    opens: time
    closes: time

    def __str__(self) -> str:
        return f"{self.opens:%H:%M}-{self.closes:%H:%M}"


@dataclass(frozen=True)
class Branch:
    """A place where dogs are seen, on which days of the week, in which region.

    `hours` are those said of open days, in the order of the week; a day may have several, and one
    without any is open at hours not known.
    """

    id: str
    name: str
    region_id: str
    open_days: tuple[str, ...]
    hours: tuple[Hours, ...] = ()

    def is_open(self, day: date) -> bool:
        """Say whether the branch opens on that day of the week."""
        return DAY_NAMES[day.weekday()] in self.open_days

    @property
    def opening(self) -> str:
        """Days and hours as `parse_opening` reads them: those without hours stand at the end."""
        told = {
            day: [str(span) for span in self.hours if span.day == day] for day in self.open_days
        }
        days = sorted(self.open_days, key=lambda day: not told[day])
        return " ".join(word for day in days for word in (day, *told[day]))


def parse_opening(text: str) -> tuple[tuple[str, ...], tuple[Hours, ...]]:
    """Read days such as ``mon tue wed``, or with hours ``mon-fri 8:00-18:00 sat 9:00-12:00``.

    Hours are those of the days named just before them; of a day there may be several. Returned are
    the days and their hours, in the order of the week.
    """
    found: dict[str, list[Hours]] = {}
    named: list[str] = []
    told = True  # whether the days named last have their hours
    for word in (
        text.lower().replace("\N{EN DASH}", "-").replace(",", " ").replace(";", " ").split()
    ):
        if days := _days_of(word):
            named = [*days] if told else [*named, *days]
            told = False
            for day in days:
                found.setdefault(day, [])
        elif named and (span := _span_of(word)):
            told = True
            for day in named:
                found[day].append(Hours(day, *span))
        else:
            raise _no_opening(repr(word))
    if not found:
        raise _no_opening("no day")
    days = tuple(day for day in DAY_NAMES if day in found)
    for day in days:
        found[day].sort(key=lambda span: span.opens)
        for one, following in pairwise(found[day]):
            if following.opens < one.closes:
                raise _no_opening(f"hours of {day} that overlap, {one} and {following}")
    return days, tuple(span for day in days for span in found[day])


def parse_open_days(text: str) -> tuple[str, ...]:
    """Read the days alone, put in the order of the week."""
    return parse_opening(text)[0]


def _days_of(word: str) -> tuple[str, ...]:
    first, _, last = word.partition("-")
    if first not in DAY_NAMES or (last or first) not in DAY_NAMES:
        return ()
    start, end = DAY_NAMES.index(first), DAY_NAMES.index(last or first)
    return DAY_NAMES[start : end + 1]


def _span_of(word: str) -> tuple[time, time] | None:
    parts = re.fullmatch(r"(\d{1,2})(?:[:.](\d\d))?-(\d{1,2})(?:[:.](\d\d))?", word)
    if parts is None:
        return None
    hours = [int(parts[1]) * 60 + int(parts[2] or 0), int(parts[3]) * 60 + int(parts[4] or 0)]
    if not (hours[0] < hours[1] < 24 * 60 and all(int(part or 0) < 60 for part in parts.groups())):
        return None
    return time(*divmod(hours[0], 60)), time(*divmod(hours[1], 60))


def _no_opening(found: str) -> RegionError:
    return RegionError(
        f"open days were asked, found {found}; allowed are {' '.join(DAY_NAMES)}, with spaces "
        "between, and hours if you like, such as mon-fri 8:00-18:00 sat 9:00-12:00"
    )


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
