"""What is refused at the desk of alerts."""

from __future__ import annotations

from models.errors import ForepawError


class AlertError(ForepawError):
    """An alert or a rule cannot be had, made or changed as it was asked."""
