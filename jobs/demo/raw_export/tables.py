"""The tables of the raw export, and the random streams it draws from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from jobs.demo.places import stream
from models.parameters import load_table

RATES = load_table("jobs.demo.raw_export", "rates.toml")
NOTES = load_table("jobs.demo.raw_export", "notes.toml")
_ITEMS = load_table("jobs.demo.raw_export", "items.toml")

# The numbers that the rest of the invention does not use.
_STREAMS = {
    name: 100 + number
    for number, name in enumerate(
        ("vets", "patients", "encounters", "entry", "billing", "notes", "spelling", "dirt")
    )
}


@dataclass(frozen=True)
class Item:
    """What the practice sells, as each of its systems calls it."""

    key: str
    old: str
    old_code: str
    new: str
    new_code: str
    price: float


def items() -> dict[str, Item]:
    """Return everything the practice sells, by key."""
    rows = [row for group in _ITEMS.groups() for row in _listed(_ITEMS[group].value)]
    return {row[0]: Item(*row) for row in rows}


def words(key: str) -> list[Any]:
    """Return a list of the rates."""
    return _listed(RATES[key].value)


def day(key: str) -> np.datetime64:
    """Return a day of the rates."""
    return np.datetime64(str(RATES[f"when.{key}"].value), "D")


def own_stream(seed: int, name: str) -> np.random.Generator:
    """Return a part's random stream, so that one part cannot shift another."""
    return stream(seed, _STREAMS[name])


def between(rng: np.random.Generator, key: str, size: int) -> np.ndarray:
    """Draw evenly between the two ends that the rates give."""
    least, most = words(key)
    return rng.uniform(least, most, size=size)


def _listed(value: Any) -> list[Any]:
    assert isinstance(value, list)
    return value
