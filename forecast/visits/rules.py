"""The limits of what an export may hold."""

from __future__ import annotations

from datetime import date

from models.errors import ForepawError
from models.parameters import ParameterTable, load_table


class VisitError(ForepawError):
    """Visits, or what belongs to them, cannot be read or counted."""


def rules() -> ParameterTable:
    """Return the limits of what an export may hold."""
    return load_table("forecast.visits", "limits.toml")


def earliest_day() -> date:
    """Return the earliest day that an export may hold."""
    return date.fromisoformat(str(rules()["export.earliest_day"].value))
