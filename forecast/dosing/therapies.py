"""Therapies by class: species, limits, clock, stops and cautions, each with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from functools import cache
from types import MappingProxyType

from forecast.records.care import UNMAPPED_THERAPY
from forecast.visits.counting.cover import CoverRule
from models.errors import ForepawError
from models.parameters import Parameter, ParameterTable, load_table


class DosingError(ForepawError):
    """Something asked of the dosing desk is not possible with what it was given."""


class Verdict(StrEnum):
    """What the records allow for one dog and one therapy, from the most pressing down."""

    SEE_NOW = "see now"
    NOT_SUITABLE = "not suitable"
    WORK_UP_FIRST = "work-up first"
    VET_MUST_DECIDE = "vet must decide"
    READY = "ready"


@dataclass(frozen=True)
class CoverCurve:
    """How much of a dog's risk a dose takes away, by whole days since the dose.

    Nothing before `onset`, all of it through `full_until`, then along a straight line down to
    nothing at `ends_at`. The longest effect seen against placebo caps `ends_at`, or the day that a
    vet gave their word for, `by_word`.
    """

    onset: int
    full_until: int
    ends_at: int
    by_word: int = 0

    def __post_init__(self) -> None:
        cap = max(int(table().number("plan.longest_cover")), self.by_word)
        if not 0 <= self.onset <= self.full_until < self.ends_at <= cap:
            raise DosingError(
                f"a cover from day {self.onset}, full until day {self.full_until} and ended at "
                f"day {self.ends_at} was asked; days must rise and end by day {cap}, the longest "
                "effect measured against placebo or that a vet gave their word for; shorten the "
                "cover"
            )

    def share(self, days_since_dose: int) -> float:
        """Return the covered share of a day, 0 to 1."""
        if days_since_dose < self.onset or days_since_dose >= self.ends_at:
            return 0.0
        decline = self.ends_at - self.full_until
        return min(1.0, (self.ends_at - days_since_dose) / decline)


@dataclass(frozen=True)
class Therapy:
    """One class of therapy; `stops` maps a finding to the verdict when it is present.

    `covers` says whether a dose that worked is cover: yes, no, or "not known" where what it spares
    one dog is not known. One that goes `beside_others` holds no other class up.
    """

    id: str
    words: str
    species: str
    planned_ahead: bool
    parameters: Mapping[str, Parameter]
    stops: Mapping[str, Parameter]
    cautions: Mapping[str, Parameter]
    covers: str = "yes"
    beside_others: bool = False
    monitoring: Mapping[str, Parameter] = field(default_factory=dict)

    def days(self, name: str) -> int:
        """Return a time of this therapy in whole days."""
        return int(self.parameters[name].number)

    @property
    def needs_allergy_test(self) -> bool:
        """Whether it is made up from an allergy test, which must be on record first."""
        return "needs_allergy_test" in self.parameters

    @property
    def open_course(self) -> int | None:
        """For how many days a course without an end on record may run; None where nothing says."""
        return self.days("open_course") if "open_course" in self.parameters else None

    def last_day(self, given: date, until: date | None) -> date | None:
        """Return the last day on which a course may run; None where it may run on for ever."""
        if until is None and self.open_course is not None:
            return given + timedelta(days=self.open_course)
        return until

    @property
    def minimum_interval(self) -> int:
        """Fewest days between two doses."""
        return self.days("minimum_interval")

    @property
    def cover(self) -> CoverCurve:
        """The cover of one dose; only for therapies whose doses are planned ahead."""
        if not self.planned_ahead:
            raise DosingError(
                f"the cover of one dose was asked of {self.words}, which is a course and is not "
                "planned ahead; ask a therapy with planned_ahead = true"
            )
        return CoverCurve(self.days("onset"), self.days("full_until"), self.days("ends_at"))


THERAPY_IDS = (
    "daily_jak_inhibitor",
    "anti_il31_antibody",
    "ciclosporin",
    "glucocorticoid_short_course",
    "topical_glucocorticoid_proactive",
    "allergen_immunotherapy",
    "topical_care",
)


def table() -> ParameterTable:
    """Return the table of therapies and rules."""
    return load_table("forecast.dosing", "therapies.toml")


def rule(name: str) -> float:
    """Return one number of the table by its dotted name."""
    return table().number(name)


def days_rule(name: str) -> int:
    """Return one rule of the table in whole days (or another whole unit)."""
    return int(rule(name))


@cache
def therapies() -> Mapping[str, Therapy]:
    """Return every therapy as it is shipped, by id."""
    return MappingProxyType(therapies_of(table().parameters))


def therapies_of(parameters: Mapping[str, Parameter]) -> dict[str, Therapy]:
    """Return every therapy from the parameters of a table, by id."""
    return {therapy_id: _therapy(parameters, therapy_id) for therapy_id in THERAPY_IDS}


def cover_rules() -> dict[str, CoverRule]:
    """Return how long a dose, or a course, of each therapy covers as shipped, by id.

    A practice's own are `forecast.dosing.rules.Rules.cover`.
    """
    return cover_rules_of(therapies())


def cover_rules_of(known: Mapping[str, Therapy]) -> dict[str, CoverRule]:
    """Return how long a dose, or a course, of each of some therapies covers, by id.

    An item that is of no class yet may have been any: for as long as the longest effect measured
    against placebo its dog's cover is not known.
    """
    found = {t.id: _cover_rule(t) for t in known.values()}
    longest = days_rule("plan.longest_cover")
    return found | {UNMAPPED_THERAPY: CoverRule(longest, False, is_known=False)}


def _cover_rule(kind: Therapy) -> CoverRule:
    if kind.covers == "no":
        return CoverRule(0, False)
    known = kind.covers == "yes"
    return CoverRule(
        kind.days("ends_at"), not kind.planned_ahead, is_known=known, open_days=kind.open_course
    )


def therapy(therapy_id: str) -> Therapy:
    """Return one therapy by id, as it is shipped."""
    if therapy_id not in THERAPY_IDS:
        raise DosingError(
            f"a therapy {therapy_id!r} was asked; known are {', '.join(THERAPY_IDS)}; use one of "
            "these ids"
        )
    return therapies()[therapy_id]


def _therapy(parameters: Mapping[str, Parameter], therapy_id: str) -> Therapy:
    start = f"{therapy_id}."
    leaves = {
        name.removeprefix(start): leaf
        for name, leaf in parameters.items()
        if name.startswith(start)
    }
    plain = {name: leaf for name, leaf in leaves.items() if "." not in name}

    def group(name: str) -> Mapping[str, Parameter]:
        within = {k: leaf for k, leaf in leaves.items() if k.startswith(f"{name}.")}
        return MappingProxyType({k.removeprefix(f"{name}."): leaf for k, leaf in within.items()})

    return Therapy(
        id=therapy_id,
        words=str(plain["words"].value),
        species=str(plain["species"].value),
        planned_ahead=bool(plain["planned_ahead"].value),
        parameters=MappingProxyType(plain),
        stops=group("stop"),
        cautions=group("caution"),
        covers=str(plain["covers"].value),
        beside_others=bool(plain["beside_others"].value),
        monitoring=group("monitoring"),
    )
