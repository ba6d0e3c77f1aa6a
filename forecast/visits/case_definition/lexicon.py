"""Word lists compiled for looking up: which concepts a word or a phrase of a note stands for.

Text is folded before it is compared (capitals, accents, apostrophes and hyphens do not matter), and
so are the entries of the lists; an entry with an umlaut also stands for its spelling with ae, oe,
ue. An entry is quoted in evidence as the list has it, never as the note has it: a note's own word
may be part of a name.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

GAP = "..."
ASKED = "¿"  # a question mark that stands before its word
SENTENCE_ENDS = frozenset(".!;\n")
BOUNDARIES = SENTENCE_ENDS | frozenset(",?()-")
_WRITTEN_OUT = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})
_APOSTROPHES = dict.fromkeys(("'", "`", "\u00b4", "\u2018", "\u2019"))
_DASHES = dict.fromkeys(("\u2013", "\u2014"), "-")
_JOINERS = str.maketrans(_APOSTROPHES | _DASHES | {"&": " and ", "_": " "})
_ASKED = re.compile(r"(?<!\w)\?(?=\w)")
_MINUS, _PLUS = re.compile(r"(?<!\w)(?:-ve\b|\(-\))"), re.compile(r"(?<!\w)\+ve\b")
_TOKEN = re.compile(
    r"\d+(?:[.,]\d+)?\s?/\s?\d+"  # a score such as 7/10, or the beginning of a date
    r"|\d+(?:[.,]\d+)?"
    r"|[^\W\d_]+"
    r"|[.!;,?():\n¿]"
    r"|(?<=\s)-+(?=\s)"
)


def folded(text: str) -> str:
    """Return text without capitals, accents and apostrophes."""
    text = text.casefold().translate(_JOINERS)
    if not text.isascii():
        text = "".join(
            c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)
        )
    return text


def tokens_of(text: str) -> list[str]:
    """Part a note into folded words, numbers and the punctuation that matters."""
    text = folded(text)
    if "?" in text:
        text = _ASKED.sub(f" {ASKED} ", text)
    if "-" in text:
        text = _MINUS.sub(" negative ", text)
    if "+" in text:
        text = _PLUS.sub(" positive ", text)
    return ["-" if token[0] == "-" else token for token in _TOKEN.findall(text)]


@dataclass(frozen=True)
class Phrase:
    """Several words in a row: what each must match, and which concepts the whole stands for."""

    elements: tuple[str, ...]
    concepts: tuple[str, ...]
    quote: str


@dataclass(frozen=True)
class Word:
    """What one word may be: concepts by itself, and phrases that it begins."""

    concepts: tuple[str, ...] = ()
    quote: str = ""
    phrases: tuple[Phrase, ...] = ()
    elements: frozenset[str] = frozenset()


@dataclass(slots=True)
class Mark:
    """A concept found at words `at` to `end` (not included) of a sentence or clause."""

    at: int
    end: int
    concepts: tuple[str, ...]
    quote: str


@dataclass
class Lexicon:
    """Compiled word lists; looks a word up once and remembers it.

    Attributes
    ----------
    lists
        Concept to entries, as the word lists write them.
    fuzzy
        Concepts whose single words are also found with one slip of the pen (a letter more, less,
        changed or swapped with its neighbour, the first letter kept), from `fuzzy_letters` on.
    longest_gap
        Most words that "..." in a phrase stands for.
    """

    lists: Mapping[str, Sequence[str]]
    fuzzy: frozenset[str]
    fuzzy_letters: int
    longest_gap: int
    _exact: dict[str, dict[str, str]] = field(default_factory=dict)
    _begins: dict[str, dict[str, str]] = field(default_factory=dict)
    _ends: dict[str, dict[str, str]] = field(default_factory=dict)
    _phrases: dict[str, dict[tuple[str, ...], Phrase]] = field(default_factory=dict)
    _elements: set[str] = field(default_factory=set)
    _slips: dict[str, str] = field(default_factory=dict)
    _known: dict[str, Word | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for concept, entries in self.lists.items():
            for entry in entries:
                for spelt in {entry, entry.translate(_WRITTEN_OUT)}:
                    self._add(concept, spelt, entry)
        self._starred = sorted(e for e in self._elements if "*" in e)

    def _add(self, concept: str, spelt: str, entry: str) -> None:
        parts = tuple(folded(spelt).replace("-", " ").split())
        quote = entry.replace(f" {GAP}", "").replace("*", "")
        if len(parts) == 1:
            (part,) = parts
            table = (
                self._begins if part.endswith("*")
                else self._ends if part.startswith("*")
                else self._exact
            )  # fmt: skip
            table.setdefault(part.strip("*"), {})[concept] = quote
            if table is self._exact and concept in self.fuzzy and len(part) >= self.fuzzy_letters:
                self._slips |= dict.fromkeys({part, *_one_less(part)}, part)
            return
        held = self._phrases.setdefault(parts[0], {})
        concepts = (*held[parts].concepts, concept) if parts in held else (concept,)
        held[parts] = Phrase(parts, concepts, quote)
        self._elements.update(parts)

    def word(self, token: str) -> Word | None:
        """Return what a folded word may be; None if the lists say nothing of it."""
        try:
            return self._known[token]
        except KeyError:
            found = self._known[token] = self._look_up(token)
            return found

    def _look_up(self, token: str) -> Word | None:
        if not token[0].isalpha() and token != ASKED:
            return None
        elements = frozenset(_elements(token, self._elements, self._starred))
        concepts = self._exact.get(token) or dict(self._by_stars(token)) or self._by_slip(token)
        phrases = [p for element in elements for p in self._phrases.get(element, {}).values()]
        phrases.sort(key=lambda p: -len(p.elements))
        if not (concepts or elements):
            return None
        quote = next(iter(concepts.values()), "")
        return Word(tuple(concepts), quote, tuple(phrases), elements)

    def _by_stars(self, token: str) -> Iterator[tuple[str, str]]:
        for size in range(len(token), 2, -1):
            yield from self._begins.get(token[:size], {}).items()
            yield from self._ends.get(token[-size:], {}).items()

    def _by_slip(self, token: str) -> dict[str, str]:
        if len(token) < self.fuzzy_letters - 1:
            return {}
        for short in (token, *_one_less(token)):
            meant = self._slips.get(short)
            if meant is not None and _is_one_slip(token, meant):
                return self._exact[meant]
        return {}

    def marks(self, tokens: Sequence[str]) -> list[Mark]:
        """Return what a sentence's words stand for, longest phrases first, in their order.

        The words of a phrase stand for nothing else by themselves; those in its gap may.
        """
        words = [self.word(token) for token in tokens]
        found: list[Mark] = []
        taken: set[int] = set()
        for at, word in enumerate(words):
            if word is None or at in taken:
                continue
            for phrase in word.phrases:
                places = self._match(phrase, words, at, tokens)
                if places:  # its last word may end another phrase too
                    taken.update(places)
                    found.append(Mark(at, places[-1] + 1, phrase.concepts, phrase.quote))
                    break
            else:
                if word.concepts:
                    found.append(Mark(at, at + 1, word.concepts, word.quote))
        return found

    def _match(
        self, phrase: Phrase, words: Sequence[Word | None], at: int, tokens: Sequence[str]
    ) -> list[int]:
        places, here, room = [at], at + 1, 0
        for element in phrase.elements[1:]:
            if element == GAP:
                room = self.longest_gap
                continue
            while not _fits(words, here, element):
                if room == 0 or here >= len(words) or tokens[here] in BOUNDARIES:
                    return []
                here, room = here + 1, room - 1
            places.append(here)
            here, room = here + 1, 0
        return places


def _fits(words: Sequence[Word | None], at: int, element: str) -> bool:
    if at >= len(words):
        return False
    word = words[at]
    return word is not None and element in word.elements


def _elements(token: str, elements: set[str], starred: Iterable[str]) -> Iterator[str]:
    if token in elements:
        yield token
    for element in starred:
        begins = element.endswith("*") and token.startswith(element[:-1])
        if begins or (element.startswith("*") and token.endswith(element[1:])):
            yield element


def _one_less(word: str) -> set[str]:
    return {word[:at] + word[at + 1 :] for at in range(1, len(word))}


def _is_one_slip(one: str, other: str) -> bool:
    """Say whether two words differ by one letter, or by two neighbours that changed places."""
    if len(one) != len(other):
        long, short = (one, other) if len(one) > len(other) else (other, one)
        return len(long) - len(short) == 1 and short in _one_less(long)
    differ = [at for at, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]
    if len(differ) == 2:
        first, second = differ
        swapped = one[first] == other[second] and one[second] == other[first]
        return second == first + 1 and first > 0 and swapped
    return len(differ) == 1 and differ[0] > 0
