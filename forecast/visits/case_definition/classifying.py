"""Every visit judged by a case definition: certainty, exclusion, kind, and the evidence in words.

Notes, codes and items repeat, so each distinct one is read once; rules are then bit tests on whole
columns. Evidence quotes entries of the word lists, item classes and the practice's own codes, never
the note: a note may hold names.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.visits.case_definition.clauses import clauses, sentences
from forecast.visits.case_definition.definition import (
    FLARE_CERTAINTIES,
    ITCH_FLARE,
    NO_CERTAINTY,
    OTHER,
    CaseDefinition,
    CaseDefinitionError,
    Rule,
)
from forecast.visits.case_definition.linking import settle
from forecast.visits.case_definition.signals import (
    NoteReading,
    SentenceReading,
    join,
    read_sentence,
)

COLUMNS = ("patient", "item_classes", "codes", "note")
NO_PATIENT = "patient not known"
_REMEMBERED = 50_000  # sentences; some 20 MB
Bits = NDArray[np.int64]


def read_note(note: str, definition: CaseDefinition) -> NoteReading:
    """Return what one note, or the text of one code, says of its patient now."""
    return join(
        _read_sentence(tuple(tokens), definition)
        for tokens in sentences(note, shortened=definition.shortened)
    )


def _read_sentence(tokens: tuple[str, ...], definition: CaseDefinition) -> SentenceReading:
    """Read a sentence, or remember it: many notes share theirs."""
    held = definition.remembered.get(tokens)
    if held is None:
        parted = clauses(tokens, definition.lexicon)
        held = read_sentence(settle(parted, definition.reach))
        if len(definition.remembered) < _REMEMBERED:
            definition.remembered[tokens] = held
    return held


def classify(visits: pd.DataFrame, definition: CaseDefinition) -> pd.DataFrame:
    """Judge visits by a definition.

    Parameters
    ----------
    visits
        One row a visit and patient, with the columns patient (text, empty where not known),
        item_classes and codes (tuples of text) and note (text).
    definition
        The definition to judge by.

    Returns
    -------
    pandas.DataFrame
        Indexed like `visits`: certainty (definite, probable, possible, none); exclusion (the name
        of what takes the visit out, or empty); evidence (what counted and what was found but does
        not, empty where nothing was); kind (itch flare, recheck, scheduled dose, other).

    Raises
    ------
    CaseDefinitionError
        If a column is missing.
    """
    missing = [name for name in COLUMNS if name not in visits]
    if missing:
        raise CaseDefinitionError(
            f"visits to be judged lack the column {', '.join(missing)}; needed are "
            f"{', '.join(COLUMNS)}"
        )
    notes = _each(visits["note"].fillna(""), lambda note: read_note(note, definition))
    codes = _each(visits["codes"], _CodeReader(definition).read)
    items = _each(visits["item_classes"], lambda own: _read_items(own, definition))
    bits = notes.bits | codes.bits | items.bits
    no_patient = (visits["patient"].fillna("") == "").to_numpy()
    certainty = _certainty(bits, definition)
    exclusion, excluded_by_cause = _exclusion(bits, certainty, definition)
    exclusion[no_patient & (certainty != NO_CERTAINTY)] = NO_PATIENT
    kind = _kind(bits, definition)
    kind[excluded_by_cause | no_patient] = OTHER
    kind[np.isin(certainty, FLARE_CERTAINTIES) & (exclusion == "")] = ITCH_FLARE
    return pd.DataFrame(
        {
            "certainty": certainty,
            "exclusion": exclusion,
            "evidence": _evidence((("code", codes), ("item", items), ("note", notes))),
            "kind": kind,
        },
        index=visits.index,
        dtype="str",
    )


# ------------------------------------------------------------------------------- signals of columns
class _Column:
    """What each distinct value of a column says, and which of them each row holds."""

    def __init__(self, rows: NDArray[np.intp], readings: Sequence[NoteReading]) -> None:
        self.rows = rows
        self.words = [reading.words for reading in readings]
        self.bits: Bits = np.array([r.signals for r in readings], dtype=np.int64)[rows]


def _each(values: pd.Series, read: Callable[[Any], NoteReading]) -> _Column:
    seen: dict[Hashable, int] = {}
    rows = np.fromiter(
        (seen.setdefault(value, len(seen)) for value in values), dtype=np.intp, count=len(values)
    )
    return _Column(rows, [read(value) for value in seen])


class _CodeReader:
    """Reads sets of codes; each code, and the words in it, once."""

    def __init__(self, definition: CaseDefinition) -> None:
        self._definition = definition
        self._known: dict[str, NoteReading] = {}

    def read(self, own: Iterable[str]) -> NoteReading:
        signals, quoted = 0, []
        for code in own:
            if code not in self._known:
                self._known[code] = self._read_one(code)
            signals |= self._known[code].signals
            quoted.append(self._known[code].words)
        return NoteReading(signals, ", ".join(dict.fromkeys(filter(None, quoted))))

    def _read_one(self, code: str) -> NoteReading:
        listed = self._definition.code_signals.get(code, 0)
        read = read_note(code, self._definition)
        return NoteReading(listed | read.signals, code if listed else read.words)


def _read_items(own: Iterable[str], definition: CaseDefinition) -> NoteReading:
    given = {name: definition.item_signals[name] for name in own if name in definition.item_signals}
    return NoteReading(int(np.bitwise_or.reduce(list(given.values()) or [0])), ", ".join(given))


def _evidence(columns: Sequence[tuple[str, _Column]]) -> list[str]:
    """Join what codes, items and notes gave, once for each combination that occurs."""
    said: dict[tuple[int, ...], str] = {}
    found = []
    for key in zip(*(column.rows.tolist() for _, column in columns), strict=True):
        words = said.get(key)
        if words is None:
            parts = [
                f"{name}: {column.words[at]}"
                for at, (name, column) in zip(key, columns, strict=True)
                if column.words[at]
            ]
            words = said[key] = " | ".join(parts)
        found.append(words)
    return found


# ------------------------------------------------------------------------------------------- rules
def _holds(bits: Bits, rules: Sequence[Rule]) -> NDArray[np.bool_]:
    held = np.zeros(len(bits), dtype=bool)
    for rule in rules:
        held |= ((bits & rule.need) == rule.need) & ((bits & rule.lack) == 0)
    return held


def _first(
    bits: Bits, ordered: Mapping[str, Sequence[Rule]], *, otherwise: str
) -> NDArray[np.object_]:
    """Return the first name whose rules hold."""
    found = np.full(len(bits), otherwise, dtype=object)
    for name in reversed(list(ordered)):
        found[_holds(bits, ordered[name])] = name
    return found


def _certainty(bits: Bits, definition: CaseDefinition) -> NDArray[np.object_]:
    return _first(bits, definition.certainties, otherwise=NO_CERTAINTY)


def _exclusion(
    bits: Bits, certainty: NDArray[np.object_], definition: CaseDefinition
) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
    """Return what takes each visit out, and whether it is a cause; nothing takes out a "none"."""
    found = _first(bits, definition.exclusions, otherwise="")
    found[certainty == NO_CERTAINTY] = ""
    return found, np.isin(found, list(definition.causes))


def _kind(bits: Bits, definition: CaseDefinition) -> NDArray[np.object_]:
    return _first(bits, definition.kinds, otherwise=OTHER)
