"""A note parted into sentences and clauses, each with what its words stand for.

A sentence ends at a full stop, an exclamation mark, a semicolon or a new line; a clause also at a
comma, a bracket, a dash, a question mark, a word of contrast ("but", "aber"), and before "and"
where somebody else becomes the subject. What denies, dates or gives a sign to somebody else reaches
no further than its clause, but for lists and for clauses that speak of the one before
(`forecast.visits.case_definition.scope`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from forecast.visits.case_definition.lexicon import (
    BOUNDARIES,
    SENTENCE_ENDS,
    Lexicon,
    Mark,
    folded,
    tokens_of,
)

_NEW_SUBJECTS = frozenset({"cues.other_animal", "cues.owner", "cues.this_patient"})
_SUBJECT_WITHIN = 2  # words after "and" in which somebody else may be named


@dataclass(slots=True)
class Clause:
    """Words of one clause, what they stand for (places count from its first word)."""

    tokens: list[str]
    marks: list[Mark]
    ends_with: str = ""
    opens_with: tuple[str, ...] = ()  # concepts of the word of contrast that opened it
    _of: dict[str, list[Mark]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for mark in self.marks:
            for name in mark.concepts:
                self._of.setdefault(name, []).append(mark)

    def of(self, concept: str) -> Sequence[Mark]:
        """Return the marks of a concept, in their order."""
        return self._of.get(concept, ())

    def has_any(self, concepts: Collection[str]) -> bool:
        """Say whether any of the concepts occurs."""
        return not self._of.keys().isdisjoint(concepts)


def abbreviations(entries: Collection[str]) -> dict[str, set[str]]:
    """Compile the list of abbreviations: word to the words that must follow; none means any."""
    compiled: dict[str, set[str]] = {}
    for entry in entries:
        first, _, second = folded(entry).partition(" ")
        compiled.setdefault(first, set()).update({second} - {""})
    return compiled


def sentences(note: str, *, shortened: Mapping[str, Collection[str]]) -> Iterator[list[str]]:
    """Give the sentences of a note as words and the punctuation inside them."""
    tokens = tokens_of(note)
    current: list[str] = []
    for at, sign in enumerate(tokens):
        following = tokens[at + 1 : at + 2]
        if sign not in SENTENCE_ENDS:
            current.append(sign)
        elif sign == "." and current and _is_short(current[-2:], following, shortened):
            continue
        elif current:
            yield current
            current = []
    if current:
        yield current


def _is_short(
    words: Sequence[str], following: Sequence[str], shortened: Mapping[str, Collection[str]]
) -> bool:
    """Say whether a full stop after these words is that of a short form: "v. a.", not "7 d."."""
    word = words[-1]
    if len(word) == 1 and word.isalpha():
        return not words[0][0].isdigit()
    if word not in shortened:
        return False
    return not shortened[word] or (bool(following) and following[0] in shortened[word])


def clauses(tokens: Sequence[str], lexicon: Lexicon) -> list[Clause]:
    """Return the clauses of a sentence; none where it names nothing but cues."""
    marks = lexicon.marks(tokens)
    if not any(c[:5] != "cues." for mark in marks for c in mark.concepts):
        return []
    return list(_clauses(tokens, marks))


def _clauses(tokens: Sequence[str], marks: Sequence[Mark]) -> Iterator[Clause]:
    splits = _contrasts(marks) | _new_subjects(marks)
    first = 0
    opened: tuple[str, ...] = ()
    for at, token in enumerate(tokens):
        boundary = token in BOUNDARIES
        if not boundary and at not in splits:
            continue
        if at > first:
            yield _clause(tokens, marks, first, at, token if boundary else "", opened)
            opened = ()
        first = at + 1 if boundary else splits[at][0]
        opened = opened if boundary else splits[at][1]
    if len(tokens) > first:
        yield _clause(tokens, marks, first, len(tokens), "", opened)


def _contrasts(marks: Sequence[Mark]) -> dict[int, tuple[int, tuple[str, ...]]]:
    return {m.at: (m.end, m.concepts) for m in marks if "cues.contrast" in m.concepts}


def _new_subjects(marks: Sequence[Mark]) -> dict[int, tuple[int, tuple[str, ...]]]:
    """Return where an "and" is followed by somebody else."""
    found: dict[int, tuple[int, tuple[str, ...]]] = {}
    for mark, following in pairwise(marks):
        near = following.at - mark.end <= _SUBJECT_WITHIN
        if near and "cues.and" in mark.concepts and _NEW_SUBJECTS.intersection(following.concepts):
            found[mark.at] = (mark.end, ())
    return found


def _clause(
    tokens: Sequence[str],
    marks: Sequence[Mark],
    first: int,
    end: int,
    ends_with: str,
    opened: tuple[str, ...],
) -> Clause:
    own = [
        Mark(mark.at - first, mark.end - first, mark.concepts, mark.quote)
        for mark in marks
        if first <= mark.at < end
    ]
    return Clause(list(tokens[first:end]), own, ends_with, opened)
