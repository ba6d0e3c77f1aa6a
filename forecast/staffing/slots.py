"""Slots to keep free for dogs that must be seen today, and people at the telephone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class FreeSlots:
    """Same-day slots to keep free on one day; `asked` is how many are expected to be asked for."""

    branch: str
    day: date
    slots: int
    asked: float


@dataclass(frozen=True)
class PhonePeople:
    """People at the telephone in a week's busiest hour.

    Attributes
    ----------
    calls_an_hour
        In the busiest hour of the busiest day, for 90 % of the draws.
    people
        Fewest that take calls as promptly as asked.
    wait_probability
        Probability that a call then waits at all.
    """

    branch: str
    week: date
    calls_an_hour: float
    people: int
    wait_probability: float
