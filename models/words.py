"""Numbers of things in words that agree with them, for sentences of every floor."""

from __future__ import annotations


def number_of(number: float, thing: str) -> str:
    """Say how many of a thing there are: ``1 dose``, ``2 doses``, ``0.5 flare-weeks``."""
    said = f"{number:,}" if isinstance(number, int) else f"{number:g}"
    return f"{said} {thing}" if number == 1 else f"{said} {thing}s"
