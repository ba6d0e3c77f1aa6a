"""From what a note says of this patient now to named signals, the words that rules are made of.

Itch at the ears, the feet, the eyes, under the tail or at a wound alone is a sign of that place;
itch anywhere else, or without a place, is *itch*. Licking, chewing and rubbing count only together
with a place. *two places* are two of ears, feet, face and skin, at least one of them for itch or
licking.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from forecast.visits.case_definition.things import (
    CONDITION,
    DENIED,
    EASED,
    ITCH,
    NOW,
    OTHERS,
    PAST,
    Read,
    Thing,
)

# Signals that words (in notes and in codes) can give, with what each means.
WORD_SIGNALS = {
    "itch": "itch of the whole dog or of a place that is not one of its own below",
    "ears": "signs at the ears",
    "feet": "signs at the feet",
    "face": "licking or rubbing at the face",
    "skin": "skin signs other than itch",
    "eyes": "itch at the eyes",
    "rear": "itch or licking under the tail, scooting",
    "two places": "two of ears, feet, face and skin, one of them for itch or licking",
    "allergy": "an allergy that is said of now",
    "known allergy": "an allergy in the history",
    "flare": "a flare of the skin or the allergy, named as such",
    "worse allergy": "an allergy or skin that is said to be worse",
    "itch therapy words": "a therapy of itch is spoken of",
    "licking": "licking, chewing or rubbing, with or without a place; itch at a wound",
    "itch denied": "itch is said to be absent or over",
    "itch eased": "itch is said to be less",
    "skin spoken of": "itch, skin, ears, feet or allergy are named, in whatever sense",
    "recheck words": "the visit is called a recheck",
    "dose words": "the visit is called one for a dose by the calendar",
    "as planned": "words for a dose that came by the calendar, or for all being quiet",
    "new signs": "signs that are said to be new, back, worse or still there",
    "fleas": "fleas, flea dirt or flea allergy, found",
    "mites": "mites, found",
    "lice": "lice, found",
    "ringworm": "dermatophytes, found",
    "contact reaction": "a reaction of the skin to something it touched",
    "vaccination reaction": "a reaction to a vaccine",
    "sting": "an insect's sting or bite",
    "urticaria": "hives, wheals, a sudden swelling",
    "food reaction": "a reaction to food that was proven by challenge",
    "anal sacs": "anal sacs are spoken of",
    "local cause": "a foreign body, cut, torn claw, cyst or abscess",
    "wound licking": "licking or itch at a wound",
}
_BIT = {name: 1 << at for at, name in enumerate(WORD_SIGNALS)}
_LOCAL = ("ears", "feet", "eyes", "rear")
_EVERYWHERE = ("face", "body", "skin")
_PLACES = {name: f"sites.{name}" for name in (*_LOCAL, "wound", *_EVERYWHERE)}
_LICKING = frozenset({"signs.licking", "signs.licking_predicates"})
_FINDINGS = {
    "findings.fleas": "fleas",
    "findings.mites": "mites",
    "findings.lice": "lice",
    "findings.ringworm": "ringworm",
    "findings.contact": "contact reaction",
    "findings.vaccination_reaction": "vaccination reaction",
    "findings.sting": "sting",
    "findings.urticaria": "urticaria",
    "findings.food_reaction": "food reaction",
    "findings.anal_sacs": "anal sacs",
    "findings.foreign_body": "local cause",
    "findings.scooting": "rear",
    "visit.recheck": "recheck words",
    "visit.dose": "dose words",
    "visit.as_planned": "as planned",
    "signs.itch_therapy": "itch therapy words",
    "signs.itch_free": "itch denied",
    "signs.ear_disease": "ears",
    "signs.foot_disease": "feet",
    "signs.allergic_flare": "flare",
}
_SAID = {DENIED: "denied", PAST: "past", OTHERS: "somebody else", CONDITION: "if", EASED: "less"}
_NEW = frozenset({"signs.again", "signs.fresh", "signs.worse"})
_SKIN = ITCH | {
    "signs.skin_disease", "signs.allergy", "signs.ear_disease", "signs.foot_disease",
    "signs.allergic_flare", "signs.itch_free",
}  # fmt: skip
_SILENT = frozenset({"signs.again", "signs.fresh", "visit.as_planned"})
_PLACED = _LICKING | {"signs.reddened", "signs.inflamed"}
_TWO_OF = sum(_BIT[name] for name in ("ears", "feet", "face", "skin"))
QUOTED = 6  # words of one sort that evidence quotes


@dataclass(frozen=True)
class NoteReading:
    """What one note says: signals as bits, and the words that said it.

    Attributes
    ----------
    signals
        Sum of the bits of `WORD_SIGNALS`.
    words
        Entries of the lists that count, and those that were found but do not, with why not.
    """

    signals: int = 0
    words: str = ""


@dataclass(frozen=True)
class SentenceReading:
    """What one sentence says; sentences of a note say it independently of each other.

    Attributes
    ----------
    signals
        Sum of the bits of `WORD_SIGNALS`, but for *two places*.
    itches
        Whether ears, feet, face or skin are named for itch or licking.
    counted, left
        What evidence quotes of it, in its order.
    """

    signals: int
    itches: bool
    counted: tuple[str, ...]
    left: tuple[str, ...]


def read_sentence(sentence: Sequence[Read]) -> SentenceReading:
    """Return what a settled sentence says."""
    told = _Told()
    counted: dict[str, None] = {}
    left: dict[str, None] = {}
    for read in sentence:
        told.read(read)
        _quote(read, counted, left)
    bits = sum(_BIT[name] for name in told.all_found())
    return SentenceReading(bits, told.itches, tuple(counted), tuple(left))


def join(sentences: Iterable[SentenceReading]) -> NoteReading:
    """Return what the sentences of a note say together."""
    signals, itches = 0, False
    counted: dict[str, None] = {}
    left: dict[str, None] = {}
    for one in sentences:
        signals |= one.signals
        itches |= one.itches
        counted |= dict.fromkeys(one.counted)
        left |= dict.fromkeys(one.left)
    if itches and (signals & _TWO_OF).bit_count() > 1:
        signals |= _BIT["two places"]
    return NoteReading(signals, _said(counted, left))


class _Told:
    """One sentence being read; it remembers the places of the clause before."""

    def __init__(self) -> None:
        self.found: set[str] = set()  # by the clause being read
        self.itches = False
        self._before: set[str] = set()
        self._places: set[str] = set()
        self._flares = False
        self._of_skin = False

    def all_found(self) -> set[str]:
        """Return the signals of the whole sentence."""
        found = self._before | self.found
        return found | {"flare"} if self._flares and self._of_skin else found

    def read(self, read: Read) -> None:
        """Add what a clause says."""
        clause = read.clause
        if not clause.marks:
            return
        self._before |= self.found
        self.found = set()
        places = {name for name, concept in _PLACES.items() if clause.of(concept)}
        if clause.of("cues.there"):
            places |= self._places
        now = [t for t in read.things if t.status == NOW]
        for thing in now:
            self._sign(thing, places)
        self._allergy(read)
        self._flare(now, places)
        self._worse_and_new([t for t in now if t.family == "signs"], places)
        for thing in read.things:
            if thing.is_any(ITCH) and thing.status in (DENIED, EASED):
                self.found.add("itch denied" if thing.status == DENIED else "itch eased")
        if places - {"wound"} or any(t.is_any(_SKIN) for t in read.things):
            self.found.add("skin spoken of")
        self._of_skin |= any(t.is_any(_SKIN) and t.status in (NOW, PAST) for t in read.things)
        self._places = places or self._places

    def _flare(self, now: Sequence[Thing], places: set[str]) -> None:
        if any("signs.flare" in t.concepts for t in now):
            self._flares = True
            self._of_skin |= "skin" in places

    def _sign(self, thing: Thing, places: set[str]) -> None:
        for concept in thing.concepts:
            if concept in _FINDINGS:
                self.found.add(_FINDINGS[concept])
        if thing.is_any(ITCH):
            self._itch(places)
        elif thing.is_any(_LICKING):
            self._licking(places)
        elif "signs.foot_licking" in thing.concepts:
            self._licking({"feet"})
        elif "signs.reddened" in thing.concepts:
            self.found |= {"ears", "feet"} & places
            if places.intersection(_EVERYWHERE):
                self.found.add("skin")
        elif "signs.inflamed" in thing.concepts:
            self.found |= {"ears"} & places
        elif "signs.skin_disease" in thing.concepts:
            self.found |= {"ears", "feet"} & places or {"skin"}

    def _itch(self, places: set[str]) -> None:
        local = places.intersection((*_LOCAL, "wound"))
        if places.intersection(_EVERYWHERE) or not local:
            self.found.add("itch")
        self._itches_at(local)

    def _licking(self, places: set[str]) -> None:
        self.found.add("licking")
        if "wound" in places:
            self._itches_at({"wound"})
            return
        self._itches_at(places - {"body", "skin"})
        if places & {"body", "skin"}:
            self._itches_at({"skin"})

    def _itches_at(self, places: set[str]) -> None:
        if "wound" in places:
            self.found |= {"wound licking", "licking"}
        named = places - {"wound"}
        self.found |= named
        self.itches |= not named <= {"eyes", "rear"}

    def _allergy(self, read: Read) -> None:
        known = read.clause.of("cues.known")
        for thing in read.things:
            if "signs.allergy" in thing.concepts and thing.status in (NOW, PAST, EASED):
                past = known or thing.status == PAST
                self.found.add("known allergy" if past else "allergy")

    def _worse_and_new(self, signs: Sequence[Thing], places: set[str]) -> None:
        skin = any(t.is_any(_SKIN) for t in signs)
        if skin and any("signs.worse" in t.concepts for t in signs):
            self.found.add("worse allergy")
        if (skin or self.found or places) and any(t.is_any(_NEW) for t in signs):
            self.found.add("new signs")


def _quote(read: Read, counted: dict[str, None], left: dict[str, None]) -> None:
    """Add the entries that a clause's things were found by, with the places they are at."""
    places = [mark.quote for concept in _PLACES.values() for mark in read.clause.of(concept)]
    for thing in read.things:
        placed = thing.is_any(_PLACED)
        if thing.is_any(_SILENT) or (placed and not places):
            continue
        if thing.status != NOW:
            left[f"{thing.quote} ({_SAID.get(thing.status, thing.status)})"] = None
        elif placed:
            counted[f"{thing.quote} at {' and '.join(dict.fromkeys(places))}"] = None
        else:
            counted[thing.quote] = None


def _said(counted: Mapping[str, None], left: Mapping[str, None]) -> str:
    parts = [", ".join(list(counted)[:QUOTED])] if counted else []
    if left:
        parts.append("not counted: " + ", ".join(list(left)[:QUOTED]))
    return "; ".join(parts)
