"""Handing the dogs of a vet to others: who takes which, so that households stay together.

A household is one owner's dogs. Each goes to whoever then looks after the fewest dogs, among those
who work where its dogs are seen; the largest households first, so that shares come out even.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class HandedDog:
    """A dog to be handed over: its household, and the branch that sees it ("": not known)."""

    id: str
    household: str
    branch: str


@dataclass(frozen=True)
class Taker:
    """A vet who takes dogs.

    Attributes
    ----------
    n_dogs
        How many dogs the vet looks after already.
    branches
        Where the vet works; empty: everywhere.
    """

    id: str
    n_dogs: int
    branches: frozenset[str] = frozenset()

    def works_for(self, dog: HandedDog) -> bool:
        """Say whether the vet works where a dog is seen."""
        return not self.branches or not dog.branch or dog.branch in self.branches


def shared_out(dogs: Sequence[HandedDog], takers: Sequence[Taker]) -> dict[str, str]:
    """Return the vet of each dog, by id; dogs that no taker works for are not in it.

    A household of which nobody works at all its branches is taken apart, dog by dog.
    """
    load = {one.id: one.n_dogs for one in takers}
    vet_of: dict[str, str] = {}
    for together in _households(dogs):
        whole = [t for t in takers if all(t.works_for(dog) for dog in together)]
        for part in [together] if whole else [[dog] for dog in together]:
            able = [t for t in takers if all(t.works_for(dog) for dog in part)]
            if able:
                taker = min(able, key=lambda one: load[one.id])
                load[taker.id] += len(part)
                vet_of |= {dog.id: taker.id for dog in part}
    return vet_of


def _households(dogs: Sequence[HandedDog]) -> list[list[HandedDog]]:
    """Return households, the largest first; of one size as their first dogs come."""
    found: dict[str, list[HandedDog]] = {}
    for dog in dogs:
        found.setdefault(dog.household, []).append(dog)
    return sorted(found.values(), key=len, reverse=True)


def loads(vet_of: Mapping[str, str]) -> dict[str, int]:
    """Return how many dogs each vet looks after."""
    found: dict[str, int] = {}
    for vet in vet_of.values():
        found[vet] = found.get(vet, 0) + 1
    return found
