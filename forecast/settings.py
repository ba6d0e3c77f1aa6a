"""practice.toml: the settings edited by hand, and the sentence for each slip of the pen."""

from __future__ import annotations

import tomllib
from collections import Counter
from typing import Any

from pydantic import Field, ValidationError, field_validator

from forecast.settings_alerts import AlertsSection
from forecast.settings_delivery import AlertMailSection, AlertWebhookSection
from forecast.settings_notices import MailSection, NoticesSection, WebhookSection
from forecast.settings_pages import PagesSection
from forecast.settings_sections import (
    BackupSection,
    ClockSection,
    DosingRuleSection,
    DosingSection,
    ForecastSection,
    PracticeSection,
    PrivacySection,
    PullSection,
    RecordsSection,
    RegionSection,
    Section,
    SourcesSection,
    VisitsSection,
)
from forecast.toml_text import broken_toml, did_you_mean, line_of
from models.errors import ForepawError

SETTINGS_FILE = "practice.toml"


class PracticeError(ForepawError):
    """The practice folder or its practice.toml cannot be used as it stands."""


class Settings(Section):
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
    backup: BackupSection = BackupSection()
    clock: ClockSection = ClockSection()
    notices: NoticesSection = NoticesSection()
    pages: PagesSection = PagesSection()
    alerts: AlertsSection = AlertsSection()

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


_SECTIONS: dict[str, type[Section]] = {
    "practice": PracticeSection,
    "region": RegionSection,
    "forecast": ForecastSection,
    "dosing": DosingSection,
    "dosing.rule": DosingRuleSection,
    "sources": SourcesSection,
    "pull": PullSection,
    "visits": VisitsSection,
    "privacy": PrivacySection,
    "records": RecordsSection,
    "backup": BackupSection,
    "clock": ClockSection,
    "notices": NoticesSection,
    "notices.mail": MailSection,
    "notices.webhook": WebhookSection,
    "pages": PagesSection,
    "alerts": AlertsSection,
    "alerts.mail": AlertMailSection,
    "alerts.webhook": AlertWebhookSection,
}
_MAY_HOLD_A_SECRET = ("records", "notices.webhook", "alerts.webhook")


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
    location = _by_table(tuple(problem["loc"]))
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
    found = "is refused" if location[0] in _MAY_HOLD_A_SECRET else f"is {problem['input']!r}"
    return f"{place}: {name} {found}; {wanted}"


def _by_table(location: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """Return the path with a table within a table named as its header is, such as notices.mail."""
    table = ".".join(map(str, location[:2]))
    return (table, *location[2:]) if table in _SECTIONS and len(location) > 1 else location


def _path(location: tuple[str | int, ...]) -> str:
    words = [f"number {part + 1}" if isinstance(part, int) else part for part in location]
    if len(words) > 1 and words[1].startswith("number"):
        words[:2] = [f"[[{words[0]}]] {words[1]}"]
    elif len(words) > 1 or words[0] in _SECTIONS:
        words[0] = f"[{words[0]}]"
    return " ".join(words)


def _allowed_keys(location: tuple[str | int, ...]) -> list[str]:
    section = _SECTIONS.get(str(location[0])) if len(location) > 1 else None
    fields = (section or Settings).model_fields
    return [field.alias or name for name, field in fields.items()]
