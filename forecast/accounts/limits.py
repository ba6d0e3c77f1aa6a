"""The numbers of `accounts.toml`, as spans of time and counts."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from models.parameters import load_table

_TABLE = ("forecast.accounts", "accounts.toml")


def span(name: str) -> timedelta:
    """Return a span of the table, given there in seconds."""
    return timedelta(seconds=load_table(*_TABLE).number(name))


def count(name: str) -> int:
    """Return a whole number of the table."""
    return int(load_table(*_TABLE).number(name))


def words(name: str) -> list[str]:
    """Return a list of words of the table."""
    held: Any = load_table(*_TABLE)[name].value
    return list(held)
