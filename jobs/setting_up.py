"""Setting up: from a town or coordinates to a practice.toml and a first branch."""

from __future__ import annotations

from typing import cast

from forecast.first_settings import Home, first_settings
from forecast.practice import Practice, PracticeError
from forecast.regions import Branch, parse_opening
from forecast.towns import Town, find_town, nearest_town
from jobs.imports import import_file
from jobs.sources.source import find_source
from models.parameters import load_table

_BRANCHES = "branches.csv"


def settings_text(
    *,
    name: str | None,
    town: str | None,
    latitude: float | None,
    longitude: float | None,
    elevation: float | None,
    time_zone: str | None,
    country: str | None,
    contact: str | None,
) -> tuple[str, list[str]]:
    """Return the text of a practice.toml, and what to tell of how it came about.

    The terms of each source that it names are told, since some bind those that charge fees.
    """
    notes = []
    said = country.upper() if country else None
    place = _place(town, latitude, longitude, said)
    if town is None and time_zone is None:
        notes.append(f"time zone: {place.time_zone}, that of {place.name}, the nearest town known")
    if elevation is None:
        notes.append("elevation: not known, set to 0 m; put it right, temperature falls with it")
    known_country = said or (place.country if town is not None else None)
    if known_country is None:
        notes.append(
            "country: not said; so holidays are not known, nor which national services fit (the "
            f"nearest town known, {place.name}, is in {place.country}). Write it into practice.toml"
        )
    notes.append(
        "price of a dose: nobody was asked yet, so practice.toml begins with what we assume "
        "(flare_weeks_per_dose); set your own, an owner's word can replace it for a dog"
    )
    sources = _first_sources(known_country)
    home = Home(
        practice=name or "Our practice",
        region=place.name if town is not None else "Home",
        latitude=place.latitude if latitude is None else latitude,
        longitude=place.longitude if longitude is None else longitude,
        elevation=0.0 if elevation is None else elevation,
        time_zone=time_zone or place.time_zone,
        country=known_country,
        contact=contact,
    )
    text = first_settings(home, sources)
    notes += [f"{source}: {find_source(source).terms}" for source in sources]
    return text, notes


def open_branch(practice: Practice, opening: str) -> str:
    """Write branches.csv with one branch and bring it in; return what to tell of it."""
    region = practice.settings.region[0]
    branch = Branch("main", "Main branch", region.id, *parse_opening(opening))
    file = practice.folder / _BRANCHES
    file.write_text(
        "id,name,region,open_days\n"
        f"{branch.id},{branch.name},{branch.region_id},{branch.opening}\n",
        encoding="utf-8",
    )
    import_file(practice, "branches", file)
    return (
        f"one branch, main, open {branch.opening}{'' if branch.hours else ' (hours not said)'}; "
        f"change it in {_BRANCHES} and run `forepaw import branches {_BRANCHES}`"
    )


def _place(
    town: str | None, latitude: float | None, longitude: float | None, country: str | None
) -> Town:
    if (latitude is None) != (longitude is None):
        raise PracticeError(
            "one of --latitude and --longitude was given; give both, or a town alone"
        )
    if town is not None:
        return find_town(town)
    if latitude is None or longitude is None:
        raise PracticeError(
            "a practice was to be set up without saying where: give --town, or --latitude and "
            "--longitude"
        )
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        raise PracticeError(
            f"latitude {latitude:g} and longitude {longitude:g} were given; allowed are -90 to 90 "
            "degrees north and -180 to 180 degrees east"
        )
    return nearest_town(latitude, longitude, country=country)


def _first_sources(country: str | None) -> list[str]:
    table = load_table("jobs.sources", "pull.toml")
    own = table.parameters.get(f"first.{(country or '').upper()}")
    everywhere = cast("list[str]", table["first.everywhere"].value)
    return [*everywhere, *(cast("list[str]", own.value) if own is not None else [])]
