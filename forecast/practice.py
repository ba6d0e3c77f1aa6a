"""The practice folder and practice.toml, the settings that are edited by hand."""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import tomllib
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from models.errors import ForepawError

SETTINGS_FILE = "practice.toml"
_SUBFOLDERS = ("climate", "issued", "trained", "archive", "outbox")
_TEMPLATE = "practice_template.toml"
_PRIVATE_FOLDER = 0o700  # the folder holds owners' names: nobody else on the machine reads it
_PRIVATE_FILE = 0o600
_TABLE_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_-]+)\s*\]")


class PracticeError(ForepawError):
    """The practice folder or its practice.toml cannot be used as it stands."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)


class PracticeSection(_Section):
    """Who the practice is."""

    name: str = Field(min_length=1)
    invented: bool = False
    language: str = Field(default="en", pattern="^[a-z]{2}$")


class RegionSection(_Section):
    """One region as written in practice.toml; `forecast.regions` checks its allergens."""

    id: str = Field(pattern="^[a-z][a-z0-9_-]*$")
    name: str = Field(min_length=1)
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    elevation: float = Field(ge=-500, le=9000)
    time_zone: str
    allergens: tuple[str, ...] = Field(strict=False)

    @field_validator("allergens")
    @classmethod
    def _some_allergen(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("it must list at least one allergen")
        return value

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        if value not in available_timezones():
            raise ValueError("it must be the name of a time zone" + _near(value, _zones()))
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
    """Lines of credit that the owners of the data ask for."""

    credit: tuple[str, ...] = Field(default=(), strict=False)


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


_SECTIONS: dict[str, type[_Section]] = {
    "practice": PracticeSection,
    "region": RegionSection,
    "forecast": ForecastSection,
    "dosing": DosingSection,
    "sources": SourcesSection,
    "records": RecordsSection,
}


@dataclass(frozen=True)
class Practice:
    """An open practice folder: its settings, and the moment it is looked at."""

    folder: Path
    settings: Settings
    now: datetime
    settings_text: str

    @property
    def settings_sha256(self) -> str:
        """Hash of the text of practice.toml, kept with every issue."""
        return hashlib.sha256(self.settings_text.encode()).hexdigest()

    @property
    def settings_file(self) -> Path:
        """The hand-edited settings."""
        return self.folder / SETTINGS_FILE

    @property
    def records_file(self) -> Path:
        """The SQLite file of the records, used unless the settings name another database."""
        return self.folder / "records.sqlite"

    @property
    def records_url(self) -> str:
        """The URL of the records' database."""
        records = self.settings.records
        return records.url if records else f"sqlite:///{self.records_file}"

    @property
    def climate_folder(self) -> Path:
        """The climate store."""
        return self.folder / "climate"

    @property
    def issued_folder(self) -> Path:
        """Issued forecasts, one immutable file each."""
        return self.folder / "issued"

    @property
    def trained_folder(self) -> Path:
        """Trained models."""
        return self.folder / "trained"

    @property
    def archive_folder(self) -> Path:
        """Raw imports and replies, and what their checks found."""
        return self.folder / "archive"

    @property
    def outbox_folder(self) -> Path:
        """What waits to be sent."""
        return self.folder / "outbox"

    @property
    def today(self) -> date:
        """The latest calendar day that any region of the practice has reached."""
        zones = {ZoneInfo(region.time_zone) for region in self.settings.region}
        return max(self.now.astimezone(zone).date() for zone in zones)


def template() -> str:
    """Return the text of a first practice.toml."""
    return files("forecast").joinpath(_TEMPLATE).read_text(encoding="utf-8")


def create_practice(
    folder: Path | str, text: str | None = None, *, now: datetime | None = None
) -> Practice:
    """Make a new practice folder that only its owner can read, and open it.

    The settings are checked before anything is written; a folder that holds anything is refused.
    """
    folder = Path(folder)
    text = template() if text is None else text
    parse_settings(text)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise PracticeError(
            f"a new practice was asked for in {folder}, which is not an empty folder; "
            "name a new folder"
        )
    try:
        folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
        folder.chmod(_PRIVATE_FOLDER)
    except OSError as error:
        raise PracticeError(
            f"a new practice was asked for in {folder}, which cannot be made: "
            f"{(error.strerror or '').lower()}; name another folder"
        ) from error
    for name in _SUBFOLDERS:
        (folder / name).mkdir(mode=_PRIVATE_FOLDER)
    file = os.open(folder / SETTINGS_FILE, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE)
    with os.fdopen(file, "w", encoding="utf-8") as out:
        out.write(text)
    return open_practice(folder, now=now)


def open_practice(folder: Path | str, *, now: datetime | None = None) -> Practice:
    """Open a practice folder as it stands at `now`, the present moment unless given."""
    folder = Path(folder).absolute()
    now = datetime.now(UTC) if now is None else now
    if now.tzinfo is None:
        raise PracticeError(
            f"the moment {now} has no time zone, so its day is not known; give one with an offset"
        )
    try:
        text = (folder / SETTINGS_FILE).read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError):
        raise PracticeError(
            f"{folder} is no practice folder: it holds no {SETTINGS_FILE}; make one with "
            "`forepaw init DIR`, or name the right folder with --practice DIR"
        ) from None
    except UnicodeDecodeError as error:
        raise PracticeError(
            f"{SETTINGS_FILE} is not UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from error
    settings = parse_settings(text)
    for name in _SUBFOLDERS:  # an empty one is lost by some copies and back-ups
        (folder / name).mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    return Practice(folder, settings, now, text)


def parse_settings(text: str) -> Settings:
    """Check the text of a practice.toml; the error names the line and what is wrong there."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PracticeError(_broken_toml(str(error))) from error
    try:
        return Settings.model_validate(tree)
    except ValidationError as error:
        problems = [dict(problem) for problem in error.errors(include_url=False)]
        # a misspelt key is reported as two, one unknown and one missing: the cause goes first
        problems.sort(key=lambda problem: problem["type"] != "extra_forbidden")
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise PracticeError(_sentence(problems[0], text) + more) from error


def _broken_toml(message: str) -> str:
    what, _, where = message.partition(" (at ")
    place = where.removesuffix(")") if where else "line 1"
    place = place.replace("end of document", "its end")
    return f"{SETTINGS_FILE}, at {place}, is not TOML: {what[:1].lower()}{what[1:]}; mend that line"


def _sentence(problem: dict[str, Any], text: str) -> str:
    """Turn one refusal of pydantic into a sentence with a line and what is allowed."""
    location = tuple(problem["loc"])
    line = _line_of(text, location)
    place = SETTINGS_FILE if line is None else f"{SETTINGS_FILE} line {line}"
    name = _path(location)
    if problem["type"] == "extra_forbidden":
        allowed = _allowed_keys(location)
        hint = _near(str(location[-1]), allowed) or f"; allowed are {', '.join(allowed)}"
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


def _zones() -> list[str]:
    return sorted(available_timezones())


def _near(word: str, allowed: list[str]) -> str:
    near = difflib.get_close_matches(word, allowed, n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def _line_of(text: str, location: tuple[str | int, ...]) -> int | None:
    """Find the line of a setting: tomllib keeps no line numbers, so headers are counted."""
    names = [part for part in location if isinstance(part, str)]
    number = next((part for part in location if isinstance(part, int)), 0)
    key = names[-1]
    table, seen, header_line = "", Counter[str](), None
    for line, content in enumerate(text.splitlines(), start=1):
        header = _TABLE_HEADER.match(content)
        if header:
            table = header.group(2)
            seen[table] += 1
        inside = table == names[0] and seen[table] == number + 1
        if header and inside:
            header_line = line
        here = inside or (table == "" and len(names) == 1)
        if here and not header and re.match(rf'^\s*"?{re.escape(key)}"?\s*=', content):
            return line
    return header_line
