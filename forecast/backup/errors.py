"""What this room raises."""

from __future__ import annotations

from models.errors import ForepawError


class BackupError(ForepawError):
    """A back-up cannot be made, or cannot be restored."""
