"""What clauses of one sentence say of each other: lists under one denial, short afterthoughts."""

from __future__ import annotations

from collections.abc import Sequence

from forecast.visits.case_definition.clauses import Clause
from forecast.visits.case_definition.lexicon import Mark
from forecast.visits.case_definition.scope import is_past, settle_clause
from forecast.visits.case_definition.things import (
    AGAIN,
    DENIED,
    EASABLE,
    EASED,
    NOW,
    PAST,
    PREDICATES,
    Reach,
    Read,
)

_NO_ITEM = PREDICATES | {
    "cues.deny_after", "cues.deny_before", "cues.since", "signs.again", "signs.fresh",
}  # fmt: skip
_NOT_ELLIPTIC = frozenset(
    {
        "cues.other_animal",
        "cues.owner",
        "cues.conditional",
        "cues.therapy_objects",
        "cues.not_a_sign",
    }
)
_OF_NOW = frozenset({"signs.again", "signs.fresh"})
_CLOSING_WORDS = 2  # "or" and a word that goes with the last item of a list


def settle(sentence: Sequence[Clause], reach: Reach) -> list[Read]:
    """Say of everything that a sentence names whether it is said of this patient now."""
    read = []
    for clause in sentence:
        one, live = settle_clause(clause, reach)
        one.elliptic = _elliptic(live, one, reach)
        read.append(one)
    _carry_on(read, reach)
    _carry_back(read, reach)
    spoken_of: Read | None = None
    for here in read:
        if spoken_of is not None:
            _apply_elliptic(here.elliptic, spoken_of)
        if here.things and not here.elliptic:
            spoken_of = here
    if len(read) > 1 and read[0].elliptic == PAST:  # "Last summer, itchy feet"
        _apply_elliptic(PAST, read[1])
    return read


def _elliptic(live: Sequence[Mark], read: Read, reach: Reach) -> str:
    """Return the status that a clause of cues and fillers alone gives, NOW for "again", or ""."""
    clause = read.clause
    if clause.has_any(_NOT_ELLIPTIC):
        return ""
    if any(not t.is_any(_OF_NOW) for t in read.things):
        return ""
    back = any(t.is_any(AGAIN) and t.status == NOW for t in read.things)
    if back and clause.of("cues.returned"):
        return NOW
    covered = {
        at
        for m in clause.marks
        if any(c[:5] == "cues." or c in _OF_NOW for c in m.concepts)
        for at in range(m.at, m.end)
    }
    rest = [t for at, t in enumerate(clause.tokens) if at not in covered and t != ":"]
    if rest:
        return ""
    if clause.of("cues.past"):
        return PAST if is_past(clause, reach) else ""
    if back:
        return NOW
    told = {c for m in live for c in m.concepts}
    if told & {"cues.gone", "cues.deny_before", "cues.deny_after"}:
        return DENIED
    return EASED if "cues.eased" in told else ""


def _apply_elliptic(said: str, before: Read) -> None:
    for thing in before.things:
        if said == NOW and thing.status in (DENIED, EASED, PAST):
            thing.status = NOW
        elif said == DENIED and thing.can_be_over:
            thing.lose(DENIED)
        elif said == PAST:
            thing.lose(PAST)
        elif said == EASED and thing.is_any(EASABLE) and not before.is_worse:
            thing.lose(EASED)


def _carry_back(read: Sequence[Read], reach: Reach) -> None:
    """Carry a denial back through "a, b and c resolved"."""
    for at, here in enumerate(read):
        for item in reversed(read[:at]) if here.denies_back else ():
            if item.clause.ends_with != "," or not _can_be_item(item, reach.list_item):
                break
            for thing in item.things:
                if thing.can_be_over:
                    thing.lose(DENIED)


def _carry_on(read: Sequence[Read], reach: Reach) -> None:
    """Carry a denial on through "no a, b or c"."""
    for at, here in enumerate(read):
        if not here.denies_on or here.clause.ends_with != ",":
            continue
        items = []
        for item in read[at + 1 :]:
            items.append(item)
            closes = item.clause.of("cues.or")
            if not _can_be_item(item, reach.list_item + (_CLOSING_WORDS if closes else 0)):
                break
            if closes:
                for thing in (t for one in items for t in one.things):
                    thing.lose(DENIED)
                break


def _can_be_item(item: Read, longest: int) -> bool:
    plain = not item.clause.opens_with and not item.clause.has_any(_NO_ITEM)
    return plain and item.n_words <= longest
