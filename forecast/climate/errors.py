"""What this room raises."""

from __future__ import annotations

from models.errors import ForepawError


class ClimateError(ForepawError):
    """Weather or flowering dates cannot be read, kept or found."""
