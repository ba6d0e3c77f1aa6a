"""The case definition in force, and visits judged by it; a change judges all of them anew.

What was recorded is never edited: a new definition gives each visit a verdict beside the earlier
ones, and counts follow it from one flip on. Item classes are those of the layout on the day of the
import; a visit whose note was forgotten since keeps the verdict it had when the note could be read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from forecast.practice import Practice
from forecast.records import Records, cases
from forecast.records.cases import KeptDefinition
from forecast.visits.case_definition import CaseDefinition, classify, shipped_text

DEFINITION_FILE = "case_definition.toml"
Tell = Callable[[float], None]


@dataclass(frozen=True)
class Relearnt:
    """What a change of definition did: verdicts by kind before and after, of visits it judged."""

    version: str
    before: str | None
    n_judged: int
    changed: pd.DataFrame


def definition_of(practice: Practice, records: Records) -> CaseDefinition:
    """Return the definition in force; where none was kept yet, the one that the first will be."""
    kept = cases.definition_in_force(records)
    return CaseDefinition.from_text(kept.text if kept else _first_text(practice))


def _first_text(practice: Practice) -> str:
    own = practice.folder / DEFINITION_FILE
    return own.read_text(encoding="utf-8") if own.exists() else shipped_text()


@dataclass(frozen=True)
class CountingRule:
    """What makes a flare visit of an itch visit, and the words for it kept with every vintage."""

    flare_free_days: int
    words: str


def counting_rule(practice: Practice, records: Records) -> CountingRule:
    """Return the rule in force; its words name the definition whose verdicts are counted."""
    kept, definition = cases.definition_in_force(records), definition_of(practice, records)
    days, version = definition.flare_free_days, kept.version if kept else definition.version
    return CountingRule(days, f"itch flare after {days} flare-free days, {version}")


def definition_to_judge_by(
    practice: Practice, records: Records
) -> tuple[KeptDefinition, CaseDefinition]:
    """Return the definition in force, kept from now on if none was.

    A new version of this service may read the same text in another way; then all visits are judged
    anew, as verdicts of two readings must not be mixed.
    """
    definition = definition_of(practice, records)
    kept = cases.definition_in_force(records)
    if kept is None or kept.version != definition.version:
        put_in_force(practice, records, definition.text)
        kept = cases.definition_in_force(records)
    assert kept is not None
    return kept, definition


def put_in_force(
    practice: Practice, records: Records, text: str, *, tell: Tell | None = None
) -> Relearnt:
    """Judge all visits by a definition, then count by it, in one flip.

    Raises
    ------
    CaseDefinitionError
        If the text is none; nothing changes then.
    """
    definition = CaseDefinition.from_text(text)
    before = cases.definition_in_force(records)
    kept = cases.keep_definition(records, definition.version, text, at=practice.now)
    n_judged = 0
    while True:
        judged_to = cases.newest_visit(records)
        n_judged += judge(records, kept, definition, tell=tell)
        if cases.put_in_force(records, kept, judged_to=judged_to):
            break
    earlier = None if before is None or before.id == kept.id else before
    changed = cases.kinds_changed(records, earlier.id, kept.id) if earlier else pd.DataFrame()
    return Relearnt(kept.version, earlier.version if earlier else None, n_judged, changed)


def judge(
    records: Records,
    kept: KeptDefinition,
    definition: CaseDefinition,
    *,
    import_id: int | None = None,
    tell: Tell | None = None,
) -> int:
    """Judge the visits, of one import or all, that a definition has not judged; return how many."""
    n_judged, n_all = 0, max(1, cases.n_unjudged(records, kept.id) if tell else 1)
    for visits in cases.unjudged(records, kept.id, import_id=import_id):
        cases.add_cases(records, kept.id, _verdicts(records, visits, definition))
        n_judged += len(visits)
        if tell is not None:
            tell(min(1.0, n_judged / n_all))
    return n_judged


def _verdicts(records: Records, visits: pd.DataFrame, definition: CaseDefinition) -> pd.DataFrame:
    forgotten = visits.index[visits["note"].isna()]
    found = classify(visits.fillna({"note": ""}), definition)
    if len(forgotten):
        held = cases.earlier_cases(records, forgotten.tolist())
        found.loc[held.index, held.columns] = held
    return found


def definition_text(path: Path | None) -> str:
    """Return the text of a definition to be put in force; the shipped one where no file is given.

    Raises
    ------
    VisitError
        If the file cannot be read.
    """
    from forecast.visits.rules import VisitError

    if path is None:
        return shipped_text()
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise VisitError(f"the case definition {path} cannot be read: {why.lower()}") from error
