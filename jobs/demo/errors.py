"""What a demo cannot do."""

from __future__ import annotations

from models.errors import ForepawError


class DemoError(ForepawError):
    """The demo cannot be served as it stands."""
