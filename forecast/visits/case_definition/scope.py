"""What of a clause is said of this patient now: denials, the past, other animals, conditions.

Every sign, finding or kind of visit that a clause names starts as said of now, and loses that by
the first of these that reaches it:

condition      what follows "if", "monitor for" ... in its clause belongs to another day
somebody else  the whole clause, if an animal of the household or the owner is its subject
denial         what follows "no", stands before "not seen", or either side of "resolved"; through a
               list that "or" closes; through "and" only to more of the same sort
past           the clause, for "last year" and its like, unless "since" ties it to now
easing         the clause's signs, for "better" and its like
suspicion      findings that are only suspected

A denial of "resolved" or "better" turns it round ("has not stopped"). A clause that holds a cue and
fillers alone ("..., now resolved") speaks of the one before it, or, for the past, of the next.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from forecast.visits.case_definition.clauses import Clause
from forecast.visits.case_definition.lexicon import ASKED, Mark
from forecast.visits.case_definition.things import (
    CONDITION,
    DENIED,
    EASABLE,
    EASED,
    ITCH,
    NOW,
    OTHERS,
    PAST,
    PREDICATES,
    SUSPECTED,
    Reach,
    Read,
    Thing,
)

_STARTS_ANEW = PREDICATES | {"signs.again", "signs.fresh", "signs.worse"}
_YEAR = re.compile(r"(?:19|20)\d\d")
_NUMBER = re.compile(r"(\d+)(?:[.,](\d+))?(?:\s?/\s?(\d+))?")
_OF_TEN = 10


def settle_clause(clause: Clause, reach: Reach) -> tuple[Read, list[Mark]]:
    """Settle what stands in one clause; return the cues that still hold beside it."""
    things = [
        Thing(m.at, m.end, kept, m.quote)
        for m in clause.marks
        if (kept := tuple(c for c in m.concepts if c[:5] not in ("cues.", "sites")))
    ]
    read = Read(clause, things)
    if not clause.marks:
        return read, []
    condition = min((m.at for m in clause.of("cues.conditional")), default=len(clause.tokens))
    cues = [m for m in clause.marks if m.at < condition]
    for thing in things:
        if thing.at > condition:
            thing.lose(CONDITION)
    _give_to_others(read)
    _read_scores(read, reach)
    live = _turn_round(cues, read, reach)
    _deny(live, read)
    _put_into_past(read, reach)
    if any("cues.eased" in m.concepts for m in live) and not read.is_worse:
        for thing in things:
            if thing.is_any(EASABLE):
                thing.lose(EASED)
    _suspect(read)
    return read, live


def _turn_round(cues: list[Mark], read: Read, reach: Reach) -> list[Mark]:
    """Drop each denial together with the "resolved" or "better" that it turns round.

    A "stopped" beside a therapy speaks of the therapy and is dropped too.
    """
    over = [m for m in cues if "cues.gone" in m.concepts or "cues.eased" in m.concepts]
    dropped = {id(m) for m in over if _beside_therapy(m, read.clause)}
    for deny in cues:
        after = "cues.deny_after" in deny.concepts or "cues.turns_round" in deny.concepts
        before = "cues.deny_before" in deny.concepts
        for turned in over:
            follows = after and 0 <= turned.at - deny.end <= reach.turned_round
            precedes = before and 0 <= deny.at - turned.end <= reach.turned_round
            if not (follows or precedes) or id(turned) in dropped or id(deny) in dropped:
                continue
            first, last = min(deny.at, turned.at), max(deny.at, turned.at)
            if not any(first < t.at < last for t in read.things):
                dropped |= {id(deny), id(turned)}
    return [m for m in cues if id(m) not in dropped]


def _beside_therapy(mark: Mark, clause: Clause) -> bool:
    if "cues.of_therapy" not in mark.concepts:
        return False
    between = {m.at for m in clause.of("cues.determiners")}
    left, right = mark.at - 1, mark.end
    while right in between:
        right += 1
    while left in between:
        left -= 1
    objects = (*clause.of("cues.therapy_objects"), *clause.of("signs.itch_therapy"))
    return any(m.at == right or m.end == left + 1 for m in objects)


def _deny(cues: Sequence[Mark], read: Read) -> None:
    for cue in cues:
        after = "cues.deny_after" in cue.concepts
        before = "cues.deny_before" in cue.concepts
        gone = "cues.gone" in cue.concepts
        if not (after or before or gone):
            continue
        backward = _things_before(cue, read)
        at_end = all(at in _filler_places(read.clause) for at in range(cue.end, read.n_words))
        if backward and (before or gone or (after and at_end)):
            for thing in backward:
                if not gone or thing.can_be_over:
                    thing.lose(DENIED)
            joined = any(joint.end <= cue.at for joint in read.clause.of("cues.and"))
            read.denies_back |= joined and backward[0] is read.things[0]
        elif after or gone:
            end = _forward_end(cue, read)
            for thing in read.things:
                if cue.end <= thing.at < end:
                    thing.lose(DENIED)
            read.denies_on |= after and end == read.n_words


def _filler_places(clause: Clause) -> set[int]:
    return {m.at for m in clause.of("cues.fillers")}


def _things_before(cue: Mark, read: Read) -> list[Thing]:
    """Return what a denial reaches backwards: not past an "and" that joins a whole statement."""
    start = 0
    for joint in read.clause.of("cues.and"):
        stated = [t for t in read.things if t.end <= joint.at]
        if joint.at < cue.at and any(t.is_any(PREDICATES) for t in stated):
            start = joint.end
    return [t for t in read.things if start <= t.at and t.end <= cue.at]


def _forward_end(cue: Mark, read: Read) -> int:
    """Return where the reach of a denial ends; see the rule for "and" above."""
    for joint in read.clause.of("cues.and"):
        if joint.at < cue.end:
            continue
        denied = [t for t in read.things if cue.end <= t.at < joint.at]
        following = [t for t in read.things if t.at >= joint.end]
        if not denied:
            return joint.at
        if following and (
            following[0].is_any(_STARTS_ANEW) or following[0].family != denied[-1].family
        ):
            return joint.at
    return read.n_words


def _give_to_others(read: Read) -> None:
    clause = read.clause
    for other in clause.of("cues.other_animal"):
        if any(0 <= other.at - m.end <= 1 for m in clause.of("cues.since")):
            continue  # "like his brother"
        patient = [m.at for m in clause.of("cues.this_patient") if m.at > other.at]
        for thing in read.things:
            if not any(at < thing.at for at in patient):
                thing.lose(OTHERS)
    if clause.of("cues.reports"):
        return
    links = {m.at for m in clause.of("cues.owner_links")}
    for owner in clause.of("cues.owner"):
        following = [t for t in read.things if t.at >= owner.end]
        if not following:
            continue
        gap = range(owner.end, following[0].at)
        if all(at in links for at in gap) and (gap or following[0].is_any(PREDICATES)):
            for thing in following:
                thing.lose(OTHERS)


def _put_into_past(read: Read, reach: Reach) -> None:
    clause = read.clause
    if is_past(clause, reach) and not any(
        "signs.again" in t.concepts and t.status == NOW for t in read.things
    ):
        for thing in read.things:
            thing.lose(PAST)
    if clause.of("cues.past_findings"):
        for thing in read.things:
            if thing.family == "findings":
                thing.lose(PAST)


def is_past(clause: Clause, reach: Reach) -> bool:
    """Say whether a clause speaks of the past: by its words, or by a year."""
    ties = (*clause.of("cues.since"), *clause.of("cues.durations"))
    for mark in clause.of("cues.past"):
        if not any(0 <= mark.at - tie.end <= reach.tied for tie in ties):
            return True
    for at, token in enumerate(clause.tokens):
        if _YEAR.fullmatch(token) and not any(0 <= at - m.end <= reach.tied for m in ties):
            return at == 0 or any(m.end == at for m in clause.of("cues.in_year"))
    return False


def _suspect(read: Read) -> None:
    clause = read.clause
    if clause.ends_with == "?" or clause.of("cues.suspected") or ASKED in clause.tokens:
        for thing in read.things:
            if thing.family == "findings":
                thing.lose(SUSPECTED)


def _read_scores(read: Read, reach: Reach) -> None:
    """Take an itch with a low score out; a score word without its number says nothing."""
    for thing in read.things:
        if not thing.is_any(ITCH):
            continue
        alone = "signs.itch_score" in thing.concepts
        following = min((t.at for t in read.things if t.at >= thing.end), default=read.n_words)
        found = _score(read.clause.tokens, range(thing.end, following), alone=alone, reach=reach)
        if (found is None and alone) or (found is not None and found < reach.itch_from):
            thing.lose(DENIED)


def _score(tokens: Sequence[str], places: range, *, alone: bool, reach: Reach) -> float | None:
    for at in places:
        found = _NUMBER.fullmatch(tokens[at])
        if found is None:
            continue
        value = float(f"{found[1]}.{found[2] or 0}")
        if value == 0 and not found[3] and set(tokens[places.start : at]) <= {":"}:
            return value  # "itch: 0"
        said_of_ten = (
            found[3] == str(_OF_TEN) or str(_OF_TEN) in tokens[at + 1 : at + 1 + reach.score]
        )
        if said_of_ten or (alone and not found[3] and at - places.start <= reach.score):
            return value
    return None
