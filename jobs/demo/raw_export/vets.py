"""The vets: who works where and when, and the habits with which each books and writes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jobs.demo.raw_export.tables import RATES, between, own_stream

BANKS = ("first", "held_out")

_DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class Vets:
    """All vets that ever worked here. Arrays are by vet; `chairs` is by branch and chair.

    Attributes
    ----------
    code
        Initials, as both systems know the vet by.
    bank
        Which of the two banks of notes a vet writes from, by its place in `BANKS`; about half of a
        branch's vets each.
    skin_item, empty_note, short_words, wrong_words
        Habits as shares [1].
    chairs
        For each branch and chair, the vets that followed each other and the day each began.
    """

    code: NDArray[np.object_]
    bank: NDArray[np.int64]
    skin_item: NDArray[np.float64]
    empty_note: NDArray[np.float64]
    short_words: NDArray[np.float64]
    wrong_words: NDArray[np.float64]
    chairs: list[list[list[tuple[int, int]]]]

    def on_duty(
        self, branch: NDArray[np.int64], day: NDArray[np.int64], rng: np.random.Generator
    ) -> NDArray[np.int64]:
        """Return who sees each visit: one of those who work at that branch on that day."""
        chair = rng.integers(0, len(self.chairs[0]), size=len(day))
        who = np.empty(len(day), dtype=np.int64)
        for place, its_chairs in enumerate(self.chairs):
            for number, held in enumerate(its_chairs):
                here = (branch == place) & (chair == number)
                began, vets = (np.array(side) for side in zip(*held, strict=True))
                who[here] = vets[np.searchsorted(began, day[here], side="right") - 1]
        return who


def employ(n_branches: int, n_days: int, *, seed: int) -> Vets:
    """Fill the chairs of all branches for all days."""
    rng = own_stream(seed, "vets")
    stay = RATES.number("vets.stay") * _DAYS_A_YEAR
    chairs: list[list[list[tuple[int, int]]]] = []
    bank: list[int] = []
    for branch in range(n_branches):
        # Banks take turns within a branch, so that about half of its vets write from each.
        turn = branch
        chairs.append([])
        for _ in range(int(RATES.number("vets.at_once"))):
            held, begins = [], 0
            while begins < n_days:
                held.append((begins, len(bank)))
                bank.append(turn % 2)
                turn += 1
                begins += 1 + int(rng.exponential(stay))
            chairs[branch].append(held)
    n = len(bank)
    return Vets(
        code=_initials(n, rng),
        bank=np.array(bank),
        skin_item=between(rng, "vets.skin_item", n),
        empty_note=between(rng, "vets.empty_note", n),
        short_words=between(rng, "vets.short_words", n),
        wrong_words=between(rng, "vets.wrong_words", n),
        chairs=chairs,
    )


def _initials(n: int, rng: np.random.Generator) -> NDArray[np.object_]:
    letters = str(RATES["vets.letters"].value)
    pairs = np.array([a + b for a in letters for b in letters if a != b], dtype=object)
    return np.asarray(rng.permutation(pairs)[:n])
