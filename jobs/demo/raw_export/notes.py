"""What the vets write: sentences from their bank, shortened and misspelt as each is used to.

A note says what the visit was for as well, or as badly, as the encounter is marked. Sentences are
put together, not copied from a list of words that anything looks for.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from jobs.demo.diary import DECLINED, STATUSES
from jobs.demo.raw_export.encounters import (
    CARE_PLAN,
    EAR_ONLY,
    FLARE,
    HARDLY,
    ITCH_KINDS,
    ITEMS_ONLY,
    RECHECK,
    Seen,
)
from jobs.demo.raw_export.tables import NOTES, RATES, own_stream
from jobs.demo.raw_export.vets import BANKS, Vets

_WAYS_TO_WRITE = 5
_SLOT = r"\{\w+\}"


def notes(seen: Seen, *, seed: int) -> NDArray[np.object_]:
    """Return a note for each encounter, empty where nothing was written."""
    writer = _Writer(seen, seed=seed)
    return np.array([writer.note(visit) for visit in range(len(seen.encounters))], dtype=object)


class _Writer:
    def __init__(self, seen: Seen, *, seed: int) -> None:
        visits = seen.encounters
        self.rng = own_stream(seed, "notes")
        self.rates = {k: p.number for k, p in RATES.group("written").items()}
        self.hand = _Hand(seen.vets, own_stream(seed, "spelling"))
        self.kind, self.reason = visits["kind"].tolist(), visits["reason"].tolist()
        self.written, self.vet = visits["written"].tolist(), visits["vet"].tolist()
        self.cause = visits["cause"].tolist()
        self.therapy, self.status = visits["therapy"].tolist(), visits["status"].tolist()
        self.named = visits["named"].tolist()
        self.allergic = visits["dog"].notna().tolist()
        self.name = seen.patients["name"].to_numpy()[visits["patient"]].tolist()

    def note(self, visit: int) -> str:
        """Put a note together."""
        vet = self.vet[visit]
        groups = self._itch(visit) if self.kind[visit] in ITCH_KINDS else self._other(visit)
        said = [self.hand.sentence(group, vet, self.rng.random()) for group in groups]
        by_lines = self.hand.writes_by_lines(vet) and self._by_chance("by_lines")
        text = ("\n" if by_lines else " ").join(sentence for sentence in said if sentence)
        return self._filled(text, visit) if "{" in text else text

    def _itch(self, visit: int) -> Iterator[str]:
        written, kind = self.written[visit], self.kind[visit]
        if written == ITEMS_ONLY:
            return
        if written == CARE_PLAN:
            yield "care_plan"
            return
        if written == HARDLY:
            yield "vague"
            return
        if kind == RECHECK:
            worse = self._by_chance("recheck_worse")
            yield "recheck_worse" if worse else "recheck_better"
        elif kind == FLARE:
            ear = "ear_flare" if written == EAR_ONLY else "flare"
            yield ear
            if not self._by_chance("no_finding"):
                yield f"{ear}_finding"
            if self.named[visit] or not self._by_chance("plan_unsaid"):
                yield self._plan(visit)
        else:
            yield "scheduled"
        if self._by_chance("remark"):
            yield "remark"

    def _plan(self, visit: int) -> str:
        if not self.therapy[visit]:
            return "plan_none"
        return "plan_declined" if self.status[visit] == STATUSES[DECLINED] else "plan_given"

    def _other(self, visit: int) -> Iterator[str]:
        if self.written[visit] == ITEMS_ONLY:
            return
        if self.cause[visit]:
            unsaid = self._by_chance("cause_unsaid")
            yield "itch_unsaid" if unsaid else self.reason[visit]
        elif not self._by_chance("other_empty"):
            yield self.reason[visit]
        if not self.cause[visit]:
            if self._by_chance("no_itch"):
                yield "negation"
            if self.allergic[visit] and self._by_chance("history"):
                yield "history"
        if self._by_chance("remark"):
            yield "remark"

    def _filled(self, text: str, visit: int) -> str:
        rng, vet = self.rng, self.vet[visit]
        therapy = self.therapy[visit]
        return text.format(
            name=self.name[visit],
            site=self.hand.plain("sites", vet, rng.random()),
            weeks=1 + int(rng.random() * 6),
            weight=f"{4 + 30 * rng.random():.1f}",
            temp=f"{38 + rng.random():.1f}",
            score=5 + int(rng.random() * 5),
            low=int(rng.random() * 3),
            med=self.hand.plain(f"med_{therapy}", vet, rng.random()) if therapy else "",
        )

    def _by_chance(self, key: str) -> bool:
        return bool(self.rng.random() < self.rates[key])


class _Hand:
    """Each vet's own ways to write each sentence, made when first needed."""

    def __init__(self, vets: Vets, rng: np.random.Generator) -> None:
        self.vets, self.rng = vets, rng
        self.ways: dict[tuple[str, int], list[str]] = {}
        self.shorter, self.wrong = (_pairs(f"spelling.{key}") for key in ("shorter", "wrong"))

    def writes_by_lines(self, vet: int) -> bool:
        """Say whether a vet puts each thought on a line of its own."""
        return BANKS[self.vets.bank[vet]] == "held_out"

    def plain(self, group: str, vet: int, u: float) -> str:
        """Return one of the bank's sentences as it stands; `u` picks it."""
        sentences = self._bank(group, vet)
        return sentences[int(u * len(sentences))]

    def sentence(self, group: str, vet: int, u: float) -> str:
        """Return one of the bank's sentences as the vet writes it; `u` picks it."""
        if (group, vet) not in self.ways:
            self.ways[group, vet] = [
                self._rewritten(text, vet)
                for text in self._bank(group, vet)
                for _ in range(_WAYS_TO_WRITE)
            ]
        ways = self.ways[group, vet]
        return ways[int(u * len(ways))]

    def _bank(self, group: str, vet: int) -> list[str]:
        value = NOTES[f"{BANKS[self.vets.bank[vet]]}.{group}"].value
        assert isinstance(value, list)
        return value

    def _rewritten(self, text: str, vet: int) -> str:
        for (pattern, instead), share in (
            (self.wrong, self.vets.wrong_words[vet]),
            (self.shorter, self.vets.short_words[vet]),
        ):
            text = pattern.sub(
                lambda found, instead=instead, share=share: (  # type: ignore[misc]
                    instead.get(found[0], found[0]) if self.rng.random() < share else found[0]
                ),
                text,
            )
        return text


def _pairs(key: str) -> tuple[re.Pattern[str], dict[str, str]]:
    """Return what finds the words of a table of pairs or a slot, and what stands instead."""
    value = NOTES[key].value
    assert isinstance(value, list)
    instead = dict(zip(value[::2], value[1::2], strict=True))
    longest_first = sorted(instead, key=len, reverse=True)
    return re.compile(rf"{_SLOT}|\b(?:{'|'.join(map(re.escape, longest_first))})\b"), instead
