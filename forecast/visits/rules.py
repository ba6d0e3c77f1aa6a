"""The case definition as counts name it, and the limits of what an export may hold."""

from __future__ import annotations

from datetime import date

from forecast.visits.case_definition import CaseDefinition
from models.errors import ForepawError
from models.parameters import ParameterTable, load_table


class VisitError(ForepawError):
    """Visits, or what belongs to them, cannot be read or counted."""


def rules() -> ParameterTable:
    """Return the limits of what an export may hold."""
    return load_table("forecast.visits", "limits.toml")


def case_definition() -> str:
    """Return the shipped case definition in the words kept with every vintage of counts."""
    shipped = CaseDefinition.shipped()
    return f"itch flare after {shipped.flare_free_days} flare-free days, {shipped.version}"


def flare_free_days() -> int:
    """Return the days without an itch-flare visit that separate two episodes, as shipped."""
    return CaseDefinition.shipped().flare_free_days


def earliest_day() -> date:
    """Return the earliest day that an export may hold."""
    return date.fromisoformat(str(rules()["export.earliest_day"].value))
