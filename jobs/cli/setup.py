"""Set up: a new practice folder."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from forecast.practice import Practice

_OPEN_DAYS = "mon tue wed thu fri"


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
    open_days: str | None
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
    open_days: Annotated[str | None, typer.Option(help=f"Such as '{_OPEN_DAYS}'.")] = None,
    name: Annotated[str | None, typer.Option(help="The practice's name.")] = None,
    contact: Annotated[
        str | None, typer.Option(help="Mail or web address, sent to services with each request.")
    ] = None,
) -> None:
    """Make a practice folder with a practice.toml of its place; on a terminal it asks for it."""
    from forecast.climate import open_climate
    from forecast.practice import create_practice
    from forecast.records import open_records
    from forecast.regions import parse_open_days
    from jobs.setting_up import open_branch, settings_text

    given = _Given(
        name, town, latitude, longitude, elevation, time_zone, country, open_days, contact
    )
    if given.is_empty and sys.stdin.isatty():
        _ask(given)
    if given.is_empty:
        practice = create_practice(folder)
        notes = ["edit the regions: they are an example"]
    else:
        parse_open_days(given.open_days or _OPEN_DAYS)  # refused before anything is made
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
        notes.append(open_branch(practice, given.open_days or _OPEN_DAYS))
    _say_next(folder, practice, notes)


def _ask(given: _Given) -> None:
    """Ask on the terminal; an empty answer leaves a thing as it is."""
    given.name = _answer("Name of the practice") or "Our practice"
    given.town = _answer("Large town it is in or near (empty: give coordinates)")
    if given.town is None:
        given.latitude = typer.prompt("Latitude, degrees north", type=float)
        given.longitude = typer.prompt("Longitude, degrees east", type=float)
        given.time_zone = _answer("Time zone, such as Europe/Zurich (empty: the nearest town's)")
        given.country = _answer("Country, two letters such as CH (empty: not said)")
    height = _answer("Metres above the sea (empty: not known)")
    given.elevation = None if height is None else _number(height)
    given.open_days = _answer(f"Open days (empty: {_OPEN_DAYS})")
    given.contact = _answer("Mail or web address that services may reach you by (empty: none)")


def _answer(question: str) -> str | None:
    return typer.prompt(question, default="", show_default=False).strip() or None


def _number(text: str) -> float:
    try:
        return float(text.removesuffix("m").strip().replace(",", "."))
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no number of metres") from None


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
    print("  3. forepaw import branches|dogs|visits FILE.csv   in this order; see README.md")
    print("  4. forepaw issue                    the first forecast")
