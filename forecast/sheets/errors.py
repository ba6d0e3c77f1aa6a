"""The refusal of a file that cannot be read as a table."""

from __future__ import annotations

from models.errors import ForepawError


class SheetError(ForepawError):
    """A file as a whole cannot be read as the table it should be; nothing of it was used."""
