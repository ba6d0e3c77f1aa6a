"""The sections of practice.toml, each with what it allows."""

from __future__ import annotations

import re
from datetime import time
from functools import cache
from typing import Annotated, Any, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator

from forecast.toml_text import did_you_mean

SUBFOLDERS = ("climate", "issued", "trained", "archive", "outbox", "layouts", "secrets")


@cache
def _zones() -> set[str]:
    return available_timezones()  # walks the disk: ten milliseconds, for each of many regions


def _zone_exists(value: str) -> str:
    if value not in _zones():
        close = did_you_mean(value, sorted(_zones()))
        raise ValueError("it must be the name of a time zone" + close)
    return value


def _is_a_time(value: str) -> str:
    try:
        is_plain = time.fromisoformat(value).replace(tzinfo=None).isoformat("minutes") == value
    except ValueError:
        is_plain = False
    if not is_plain:
        raise ValueError('it must be a local time such as "03:30"')
    return value


TimeZone = Annotated[str, AfterValidator(_zone_exists)]
LocalTime = Annotated[str, AfterValidator(_is_a_time)]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Section(BaseModel):
    """A section of practice.toml: nothing beside what it names, and nothing of another type."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)


class PracticeSection(Section):
    """Who the practice is."""

    name: str = Field(min_length=1)
    invented: bool = False
    language: str = Field(default="en", pattern="^[a-z]{2}$")
    country: str | None = Field(default=None, pattern="^[A-Z]{2}$")  # ISO 3166-1, for holidays
    # of the country, as ISO 3166-2 writes it behind the hyphen: its own holidays too
    subdivision: str | None = Field(default=None, pattern="^[A-Z0-9]{1,3}$")
    # ISO 4217, such as CHF: what prices and costs are in; no rate is applied anywhere
    currency: str | None = Field(default=None, pattern="^[A-Z]{3}$")

    @property
    def holiday_area(self) -> str | None:
        """Whose public holidays it keeps: ISO 3166-1, or ISO 3166-2 where a part is named."""
        if self.country is None or self.subdivision is None:
            return self.country
        return f"{self.country}-{self.subdivision}"


class RegionSection(Section):
    """One region as written in practice.toml; `forecast.regions` checks its allergens."""

    id: str = Field(pattern="^[a-z][a-z0-9_-]*$")
    name: str = Field(min_length=1)
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    elevation: float = Field(ge=-500, le=9000)
    time_zone: TimeZone
    allergens: tuple[str, ...] = Field(strict=False)
    postcodes: tuple[str, ...] = Field(default=(), strict=False)  # beginnings of postcodes
    area: str | None = None  # a GeoJSON file in the practice folder

    @field_validator("allergens")
    @classmethod
    def _some_allergen(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("it must list at least one allergen")
        return value


class ForecastSection(Section):
    """How far, how many futures, and what counts as high."""

    weeks: int = Field(default=52, ge=1, le=104)
    draws: int = Field(default=500, ge=20, le=10_000)
    high_week_centile: float = Field(default=0.8, gt=0, lt=1)
    seed: int = Field(default=1, ge=0)


class DosingRuleSection(Section):
    """A rule of the practice's own in the place of a shipped one; `forecast.dosing` checks it."""

    rule: str = Field(min_length=1)
    value: int | float | str
    vet: str | None = Field(default=None, min_length=1)  # who answers for a looser rule
    reason: str | None = Field(default=None, min_length=1)


class DosingSection(Section):
    """What a dose must take away to be worth its price, and rules of the practice's own."""

    flare_weeks_per_dose: float = Field(gt=0)
    # days by which a new forecast may move a dose before that is said; None: as shipped
    move_tolerance: int | None = Field(default=None, ge=0)
    rule: tuple[DosingRuleSection, ...] = Field(default=(), strict=False)


class SourcesSection(Section):
    """How services reach the practice, and lines of credit that owners of data ask for."""

    # a mail or web address, sent along with every request; what a header can carry
    contact: str | None = Field(default=None, pattern=r"^[\x21-\x7e]+$")
    credit: tuple[str, ...] = Field(default=(), strict=False)


class PullSection(Section):
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


class VisitsSection(Section):
    """What to make of visits whose dog's home is not known."""

    unknown_home: Literal["branch region", "apart"] = "branch region"


class PrivacySection(Section):
    """How long what may name somebody is kept; not given, it is kept until it is erased by hand."""

    notes_months: int | None = Field(default=None, ge=1)
    archive_months: int | None = Field(default=None, ge=1)
    # mails of alerts in the folder outbox, and hashes of the addresses they went to
    alert_mails_months: int | None = Field(default=None, ge=1)
    staff_months: int | None = Field(default=None, ge=1)  # after the end of a contract


class RecordsSection(Section):
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


class BackupSection(Section):
    """Where back-ups go and how many stay; not given, as the table backup/backup.toml has it."""

    folder: str | None = Field(default=None, min_length=1)  # not given: beside the practice folder
    newest: int | None = Field(default=None, ge=1)
    weekly: int | None = Field(default=None, ge=0)
    monthly: int | None = Field(default=None, ge=0)


class ClockSection(Section):
    """When the clock runs which job; not given, as the table jobs/schedule.toml has it."""

    time_zone: TimeZone | None = None  # not given: the first region's
    drop_folder: str = "drop"  # where files are laid for the clock to take in
    pull_weather: LocalTime | None = None
    pull_forecast: LocalTime | None = None
    pull_pollen: LocalTime | None = None
    learn: LocalTime | None = None
    learn_on: Weekday | None = None
    issue: LocalTime | None = None
    plan: LocalTime | None = None
    draft_alerts: LocalTime | None = None
    verify: LocalTime | None = None
    housekeeping: LocalTime | None = None
    back_up: LocalTime | None = None

    @field_validator("drop_folder")
    @classmethod
    def _is_a_folder_of_its_own(cls, value: str) -> str:
        if not value or not (value.startswith("/") or re.match(r"^[\w-]+$", value)):
            raise ValueError(
                "it must be the name of a folder in the practice folder, or a path that begins "
                "with /"
            )
        if value in SUBFOLDERS:
            raise ValueError("it must be a folder of its own, not one that this service uses")
        return value
