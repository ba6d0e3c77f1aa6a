"""The case definition and the limits of what an export may hold."""

from __future__ import annotations

from datetime import date

from models.errors import ForepawError
from models.parameters import ParameterTable, load_table


class VisitError(ForepawError):
    """Visits, or what belongs to them, cannot be read or counted."""


def rules() -> ParameterTable:
    """Return the table of rules."""
    return load_table("forecast.visits", "case_definition.toml")


def case_definition() -> str:
    """Return the case definition in force, in the words kept with every vintage of counts."""
    version = rules()["case_definition.version"].value
    return f"itch flare after {flare_free_days()} flare-free days, version {version}"


def flare_free_days() -> int:
    """Return the days without an itch-flare visit that separate two episodes."""
    return int(rules().number("case_definition.flare_free_days"))


def earliest_day() -> date:
    """Return the earliest day that an export may hold."""
    return date.fromisoformat(str(rules()["export.earliest_day"].value))
