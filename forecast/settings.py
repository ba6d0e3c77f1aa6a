"""practice.toml: the settings edited by hand, and the sentence for each slip of the pen."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from functools import cache
from typing import Any, Literal
from zoneinfo import available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from forecast.toml_text import broken_toml, did_you_mean, line_of
from models.errors import ForepawError

SETTINGS_FILE = "practice.toml"


class PracticeError(ForepawError):
    """The practice folder or its practice.toml cannot be used as it stands."""


@cache
def _zones() -> set[str]:
    return available_timezones()  # walks the disk: ten milliseconds, for each of many regions


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)


class PracticeSection(_Section):
    """Who the practice is."""

    name: str = Field(min_length=1)
    invented: bool = False
    language: str = Field(default="en", pattern="^[a-z]{2}$")
    country: str | None = Field(default=None, pattern="^[A-Z]{2}$")  # ISO 3166-1, for holidays


class RegionSection(_Section):
    """One region as written in practice.toml; `forecast.regions` checks its allergens."""

    id: str = Field(pattern="^[a-z][a-z0-9_-]*$")
    name: str = Field(min_length=1)
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    elevation: float = Field(ge=-500, le=9000)
    time_zone: str
    allergens: tuple[str, ...] = Field(strict=False)
    postcodes: tuple[str, ...] = Field(default=(), strict=False)  # beginnings of postcodes
    area: str | None = None  # a GeoJSON file in the practice folder

    @field_validator("allergens")
    @classmethod
    def _some_allergen(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("it must list at least one allergen")
        return value

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        if value not in _zones():
            close = did_you_mean(value, sorted(_zones()))
            raise ValueError("it must be the name of a time zone" + close)
        return value


class ForecastSection(_Section):
    """How far, how many futures, and what counts as high."""

    weeks: int = Field(default=52, ge=1, le=104)
    draws: int = Field(default=500, ge=20, le=10_000)
    high_week_centile: float = Field(default=0.8, gt=0, lt=1)
    seed: int = Field(default=1, ge=0)


class DosingSection(_Section):
    """What a dose must take away to be worth its price."""

    flare_weeks_per_dose: float = Field(gt=0)


class SourcesSection(_Section):
    """How services reach the practice, and lines of credit that owners of data ask for."""

    # a mail or web address, sent along with every request; what a header can carry
    contact: str | None = Field(default=None, pattern=r"^[\x21-\x7e]+$")
    credit: tuple[str, ...] = Field(default=(), strict=False)


class PullSection(_Section):
    """A source of data that is pulled, or a family of them; `jobs.sources` knows which there are.

    A key is never written here, as this text is kept with every forecast.
    """

    source: str = Field(pattern="^[a-z][a-z0-9_]*$")
    base_url: str | None = None
    evaluation: bool = False
    options: dict[str, Any] = Field(default_factory=dict)

    @field_validator("base_url")
    @classmethod
    def _is_an_address(cls, value: str | None) -> str | None:
        if value is not None and re.match(r"^https?://[^/?#@\s]+(/[^?#@\s]*)?$", value) is None:
            raise ValueError("it must be an address such as https://host:port, without a login")
        return value


class VisitsSection(_Section):
    """What to make of visits whose dog's home is not known."""

    unknown_home: Literal["branch region", "apart"] = "branch region"


class PrivacySection(_Section):
    """How long what may name somebody is kept; not given, it is kept until it is erased by hand."""

    notes_months: int | None = Field(default=None, ge=1)
    archive_months: int | None = Field(default=None, ge=1)


class RecordsSection(_Section):
    """Where the records are, if not in the folder's own SQLite file."""

    url: str

    @field_validator("url")
    @classmethod
    def _no_password(cls, value: str) -> str:
        if re.match(r"^\w+(\+\w+)?://", value) is None:
            raise ValueError("it must be a database URL such as postgresql+psycopg://host/name")
        if re.search(r"://[^/@]*:[^/@]*@", value) or "password" in value.lower():
            raise ValueError(
                "it must not carry a password, as this text is kept with every forecast; "
                "leave the password to the database's own password file"
            )
        return value


class Settings(_Section):
    """All of practice.toml."""

    practice: PracticeSection
    region: tuple[RegionSection, ...] = Field(strict=False)
    forecast: ForecastSection = ForecastSection()
    dosing: DosingSection
    sources: SourcesSection = SourcesSection()
    pull: tuple[PullSection, ...] = Field(default=(), strict=False)
    visits: VisitsSection = VisitsSection()
    privacy: PrivacySection = PrivacySection()
    records: RecordsSection | None = None

    @field_validator("region")
    @classmethod
    def _ids_are_unique(cls, value: tuple[RegionSection, ...]) -> tuple[RegionSection, ...]:
        if not value:
            raise ValueError("it must hold at least one region")
        twice = [name for name, n in Counter(region.id for region in value).items() if n > 1]
        if twice:
            raise ValueError(f"the region ids must differ, {twice[0]!r} stands there twice")
        return value

    @field_validator("pull")
    @classmethod
    def _sources_are_unique(cls, value: tuple[PullSection, ...]) -> tuple[PullSection, ...]:
        twice = [name for name, n in Counter(pull.source for pull in value).items() if n > 1]
        if twice:
            raise ValueError(f"the source {twice[0]!r} stands there twice; keep one table of it")
        return value


_SECTIONS: dict[str, type[_Section]] = {
    "practice": PracticeSection,
    "region": RegionSection,
    "forecast": ForecastSection,
    "dosing": DosingSection,
    "sources": SourcesSection,
    "pull": PullSection,
    "visits": VisitsSection,
    "privacy": PrivacySection,
    "records": RecordsSection,
}


def parse_settings(text: str) -> Settings:
    """Check the text of a practice.toml; the error names the line and what is wrong there."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PracticeError(broken_toml(SETTINGS_FILE, str(error))) from error
    try:
        return Settings.model_validate(tree)
    except ValidationError as error:
        problems = [dict(problem) for problem in error.errors(include_url=False)]
        # a misspelt key is reported as two, one unknown and one missing: the cause goes first
        problems.sort(key=lambda problem: problem["type"] != "extra_forbidden")
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise PracticeError(_sentence(problems[0], text) + more) from error


def _sentence(problem: dict[str, Any], text: str) -> str:
    """Turn one refusal of pydantic into a sentence with a line and what is allowed."""
    location = tuple(problem["loc"])
    line = line_of(text, location)
    place = SETTINGS_FILE if line is None else f"{SETTINGS_FILE} line {line}"
    name = _path(location)
    if problem["type"] == "extra_forbidden":
        allowed = _allowed_keys(location)
        hint = did_you_mean(str(location[-1]), allowed) or f"; allowed are {', '.join(allowed)}"
        return f"{place}: {name} is not a setting{hint}"
    if problem["type"] == "missing":
        return f"{place}: {name} is missing; add it"
    wanted = problem["msg"].removeprefix("Value error, ")
    for start in ("Input should", "Input must", "String should"):
        wanted = wanted.replace(start, "it must")
    if isinstance(problem["input"], dict | list | tuple):
        return f"{place}: {name}: {wanted}"
    # a URL is not repeated: it may hold the very password it is refused for
    found = "is refused" if location[0] == "records" else f"is {problem['input']!r}"
    return f"{place}: {name} {found}; {wanted}"


def _path(location: tuple[str | int, ...]) -> str:
    words = [f"number {part + 1}" if isinstance(part, int) else part for part in location]
    if len(words) > 1 and words[1].startswith("number"):
        words[:2] = [f"[[{words[0]}]] {words[1]}"]
    elif len(words) > 1 or words[0] in _SECTIONS:
        words[0] = f"[{words[0]}]"
    return " ".join(words)


def _allowed_keys(location: tuple[str | int, ...]) -> list[str]:
    section = _SECTIONS.get(str(location[0])) if len(location) > 1 else None
    return list((section or Settings).model_fields)
