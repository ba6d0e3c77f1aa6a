"""The error of this package."""

from models.errors import ForepawError


class ScoreError(ForepawError):
    """A forecast or an outcome that cannot be scored as it stands."""
