"""The facts of each dog as they stand on a day: of each kind the newest, and what that makes of it.

A word that is neither yes nor no is not known, and so is a fact without a row.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import Any

from forecast.dosing.dog_record import Finding
from forecast.records import care
from forecast.records.engine import Records

YES, NO = "yes", "no"
_WEIGHT, _HISTORY, _ELSEWHERE = "weight_kg", "therapy_history", "dose_elsewhere"
_PRICE = "flare_weeks_per_dose"
_MAY_LIE_AHEAD = "live_vaccination"  # one that is planned
_LONG_AGO = date.min


@dataclass
class KnownFacts:
    """What the facts of one dog say.

    `history_asked` is the day on which its history of therapies was last known to be whole, None
    where it is not; `price` is what the owner says a dose must spare, in flare-weeks.
    """

    findings: dict[str, Finding] = field(default_factory=dict)
    weight_kg: float | None = None
    weighed: date | None = None
    history_asked: date | None = None
    price: float | None = None
    price_asked: date | None = None


@dataclass
class _Gathered:
    findings: dict[str, Finding] = field(default_factory=dict)
    weight: tuple[date, float] | None = None
    price: tuple[date, float] | None = None
    history: tuple[date, Any] | None = None
    elsewhere: list[tuple[date, Any]] = field(default_factory=list)

    def take(self, kind: str, word: Any, number: Any, day: date) -> None:
        """Take one fact in; of one day the later counts."""
        if kind == _WEIGHT:
            if self.weight is None or day >= self.weight[0]:
                self.weight = (day, float(number))
        elif kind == _PRICE:
            if self.price is None or day >= self.price[0]:
                self.price = (day, float(number))
        elif kind == _HISTORY:
            if self.history is None or day >= self.history[0]:
                self.history = (day, word)
        elif kind == _ELSEWHERE:
            self.elsewhere.append((day, word))
        else:
            held = self.findings.get(kind)
            if held is None or day >= (held.recorded or _LONG_AGO):
                self.findings[kind] = _finding(word, day)

    def known(self) -> KnownFacts:
        """Return what all of it says."""
        weighed, weight = self.weight or (None, None)
        asked, price = self.price or (None, None)
        return KnownFacts(
            self.findings, weight, weighed, self._history_asked(), price=price, price_asked=asked
        )

    def _history_asked(self) -> date | None:
        """Return the day up to which the history is whole.

        A dose given elsewhere is on no list of ours until the whole history is asked again.
        """
        if self.history is None or self.history[1] != YES:
            return None
        asked = self.history[0]
        since = [(day, word) for day, word in self.elsewhere if day >= asked]
        if any(word != NO for _, word in since):
            return None
        return max([asked, *(day for day, _ in since)])


def known_facts(
    records: Records, *, today: date, dog_id: str | None = None
) -> dict[str, KnownFacts]:
    """Return what the facts of every dog, or of one, say on a day; only of dogs that have some."""
    gathered: dict[str, _Gathered] = {}
    for dog, kind, word, number, day in care.fact_rows(records, dog_id=dog_id):
        if day > today and kind != _MAY_LIE_AHEAD:
            continue
        of_dog = gathered.get(dog)
        if of_dog is None:
            of_dog = gathered[dog] = _Gathered()
        of_dog.take(kind, word, number, day)
    return {dog: one.known() for dog, one in gathered.items()}


@lru_cache(maxsize=16_384)  # the same for very many dogs
def _finding(word: str | None, day: date) -> Finding:
    return Finding({YES: True, NO: False}.get(word or ""), day)
