"""Random ids: they tell nothing about whom they stand for, and never repeat."""

from __future__ import annotations

import secrets

_BYTES = 8


def new_id() -> str:
    """Return a new random id."""
    return secrets.token_hex(_BYTES)
