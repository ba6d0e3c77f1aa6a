"""The error of this package."""


class ScoreError(ValueError):
    """A forecast or an outcome that cannot be scored as it stands."""
