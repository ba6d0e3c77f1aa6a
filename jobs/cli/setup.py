"""Set up: a new practice folder."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from forecast.practice import Practice

_OPEN_DAYS, _HOURS = "mon tue wed thu fri", "mon-fri 8:00-18:00 sat 9:00-12:00"


@dataclass
class _Given:
    """What was said of the place, on the command line or when asked."""

    name: str | None
    town: str | None
    latitude: float | None
    longitude: float | None
    elevation: float | None
    time_zone: str | None
    country: str | None
    opening: str | None
    contact: str | None

    @property
    def is_empty(self) -> bool:
        return all(value is None for value in vars(self).values())


def init(
    folder: Annotated[Path, typer.Argument(help="A new or empty folder.")],
    town: Annotated[str | None, typer.Option(help="A large town, such as Zurich.")] = None,
    latitude: Annotated[float | None, typer.Option(help="Degrees north.")] = None,
    longitude: Annotated[float | None, typer.Option(help="Degrees east.")] = None,
    elevation: Annotated[float | None, typer.Option(help="Metres above the sea.")] = None,
    time_zone: Annotated[str | None, typer.Option(help="Such as Europe/Zurich.")] = None,
    country: Annotated[str | None, typer.Option(help="ISO 3166-1, such as CH.")] = None,
    opening: Annotated[
        str | None,
        typer.Option(help=f"Opening hours, such as '{_HOURS}', or days alone."),
    ] = None,
    name: Annotated[str | None, typer.Option(help="The practice's name.")] = None,
    contact: Annotated[
        str | None, typer.Option(help="Mail or web address, sent to services with each request.")
    ] = None,
) -> None:
    """Make a practice folder with a practice.toml of its place; on a terminal it asks for it."""
    from forecast.climate import open_climate
    from forecast.practice import create_practice
    from forecast.records import open_records
    from forecast.regions import parse_opening
    from jobs.setting_up import open_branch, settings_text

    given = _Given(name, town, latitude, longitude, elevation, time_zone, country, opening, contact)
    if given.is_empty and sys.stdin.isatty():
        _ask(given)
    if given.is_empty:
        practice = create_practice(folder)
        notes = ["edit the regions: they are an example"]
    else:
        parse_opening(given.opening or _OPEN_DAYS)  # refused before anything is made
        text, notes = settings_text(
            name=given.name,
            town=given.town,
            latitude=given.latitude,
            longitude=given.longitude,
            elevation=given.elevation,
            time_zone=given.time_zone,
            country=given.country,
            contact=given.contact,
        )
        practice = create_practice(folder, text)
    open_records(practice)
    open_climate(practice)
    if not given.is_empty:
        notes.append(open_branch(practice, given.opening or _OPEN_DAYS))
    _say_next(folder, practice, notes)


def _ask(given: _Given) -> None:
    """Ask on the terminal; an empty answer leaves a thing as it is, a wrong one is asked again."""
    from forecast.regions import parse_opening
    from forecast.towns import find_town

    given.name = _answer("Name of the practice") or "Our practice"
    given.town = _answer("Large town it is in or near (empty: give coordinates)", find_town)
    if given.town is None:
        given.latitude = _number("Latitude, degrees north, -90 to 90", 90.0)
        given.longitude = _number("Longitude, degrees east, -180 to 180", 180.0)
        given.time_zone = _answer("Time zone, such as Europe/Zurich (empty: the nearest town's)")
        given.country = _answer("Country, two letters such as CH (empty: not said)")
    given.elevation = _number("Metres above the sea (empty: not known)", 9000.0, may_be_empty=True)
    given.opening = _answer(
        f"Opening hours, such as {_HOURS} (empty: {_OPEN_DAYS}, hours not said)", parse_opening
    )
    given.contact = _answer("Mail or web address that services may reach you by (empty: none)")


def _answer(question: str, check: Callable[[str], object] | None = None) -> str | None:
    """Return the answer, None where it is empty; one that the check refuses is asked again."""
    from models.errors import ForepawError

    while True:
        text = str(typer.prompt(question, default="", show_default=False)).strip()
        if not text or check is None:
            return text or None
        try:
            check(text)
        except ForepawError as refusal:
            print(f"  {refusal}")
            continue
        return text


def _number(question: str, most: float, *, may_be_empty: bool = False) -> float | None:
    """Return a number between -most and most, None where it may be empty and is."""
    while True:
        text = _answer(question)
        if text is None and may_be_empty:
            return None
        try:
            number = float((text or "").removesuffix("m").strip().replace(",", "."))
        except ValueError:
            number = math.nan
        if abs(number) <= most:
            return number
        print(f"  {text or 'nothing'!r} was given; a number from {-most:g} to {most:g} is asked")


def _say_next(folder: Path, practice: Practice, notes: list[str]) -> None:
    from jobs.console import paragraph

    print(f"Made {folder}.")
    for note in notes:
        paragraph(note)
    print(f"Next, in {practice.folder}:")
    print(
        f"  1. look through {practice.settings_file.name}: the name, the regions, their allergens"
    )
    if practice.settings.pull:
        print("  2. forepaw pull                     daily weather, twenty years")
    else:
        print("  2. forepaw import weather FILE.nc   daily weather, 16 years or more")
    print("  3. forepaw import dogs|visits FILE  in this order; see README.md")
    print("  4. forepaw issue                    the first forecast")
    print("  5. forepaw serve                    all of it by itself from then on: jobs/README.md")
