"""What a sentence names: signs, findings, kinds of visits, each with what is said of it."""

from __future__ import annotations

from dataclasses import dataclass

from forecast.visits.case_definition.clauses import Clause

NOW, DENIED, EASED, PAST, OTHERS, CONDITION, SUSPECTED = (
    "now", "denied", "eased", "past", "somebody else", "condition", "suspected",
)  # fmt: skip
PREDICATES = frozenset({"signs.itch_predicates", "signs.licking_predicates"})
ITCH = frozenset({"signs.itch", "signs.itch_predicates", "signs.itch_score"})
# What can be over or less than it was; an allergy cannot.
EASABLE = ITCH | {
    "signs.licking", "signs.licking_predicates", "signs.foot_licking", "signs.reddened",
    "signs.inflamed", "signs.ear_disease", "signs.foot_disease", "signs.skin_disease",
    "signs.flare", "signs.allergic_flare",
}  # fmt: skip
AGAIN = frozenset({"signs.again"})
WORSE = frozenset({"signs.worse"})


@dataclass(frozen=True)
class Reach:
    """How far cues reach, in words; from the definition's section `reach`."""

    turned_round: int  # between a denial and the "resolved" it turns round
    tied: int  # between "since" and the past it ties to now
    score: int  # between "PVAS" and its number
    list_item: int  # words of a clause that can be an item of a list
    itch_from: float  # PVAS from which a dog counts as itchy


@dataclass(slots=True)
class Thing:
    """A sign, a finding or a kind of visit, and what is said of it."""

    at: int
    end: int
    concepts: tuple[str, ...]
    quote: str
    status: str = NOW

    def lose(self, status: str) -> None:
        """Take it out of now, unless something else did before."""
        if self.status == NOW:
            self.status = status

    def is_any(self, concepts: frozenset[str]) -> bool:
        """Say whether it stands for any of the concepts."""
        return not concepts.isdisjoint(self.concepts)

    @property
    def family(self) -> str:
        """Signs, findings or visit."""
        return self.concepts[0].partition(".")[0]

    @property
    def can_be_over(self) -> bool:
        """Whether "resolved" can be said of it."""
        return self.family == "findings" or self.is_any(EASABLE)


@dataclass(slots=True)
class Read:
    """A clause with its things, their status settled."""

    clause: Clause
    things: list[Thing]
    denies_on: bool = False  # a denial reaches its end
    denies_back: bool = False  # a denial reaches back to its beginning, through an "and"
    elliptic: str = ""  # what a clause of cues and fillers says of the one before

    @property
    def n_words(self) -> int:
        """The number of its words."""
        return len(self.clause.tokens)

    @property
    def is_worse(self) -> bool:
        """Whether anything in it is said to be worse."""
        return any(t.is_any(WORSE) and t.status == NOW for t in self.things)
