"""Therapies by class: species, limits, clock, stops and cautions, each with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

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
    nothing at `ends_at`. The longest effect seen against placebo caps `ends_at`.
    """

    onset: int
    full_until: int
    ends_at: int

    def __post_init__(self) -> None:
        cap = int(table().number("plan.longest_cover"))
        if not 0 <= self.onset <= self.full_until < self.ends_at <= cap:
            raise DosingError(
                f"a cover from day {self.onset}, full until day {self.full_until} and ended at "
                f"day {self.ends_at} was asked; days must rise and end by day {cap}, the longest "
                "effect measured against placebo; shorten the cover"
            )

    def share(self, days_since_dose: int) -> float:
        """Return the covered share of a day, 0 to 1."""
        if days_since_dose < self.onset or days_since_dose >= self.ends_at:
            return 0.0
        decline = self.ends_at - self.full_until
        return min(1.0, (self.ends_at - days_since_dose) / decline)


@dataclass(frozen=True)
class Therapy:
    """One class of therapy; `stops` maps a finding to the verdict when it is present."""

    id: str
    words: str
    species: str
    planned_ahead: bool
    parameters: Mapping[str, Parameter]
    stops: Mapping[str, Parameter]
    cautions: Mapping[str, Parameter]

    def days(self, name: str) -> int:
        """Return a time of this therapy in whole days."""
        return int(self.parameters[name].number)

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


def therapies() -> dict[str, Therapy]:
    """Return every therapy, by id."""
    return {therapy_id: _therapy(therapy_id) for therapy_id in THERAPY_IDS}


def cover_rules() -> dict[str, CoverRule]:
    """Return how long a dose, or a course, of each therapy covers, by id."""
    return {t.id: CoverRule(t.days("ends_at"), not t.planned_ahead) for t in therapies().values()}


def therapy(therapy_id: str) -> Therapy:
    """Return one therapy by id."""
    if therapy_id not in THERAPY_IDS:
        raise DosingError(
            f"a therapy {therapy_id!r} was asked; known are {', '.join(THERAPY_IDS)}; use one of "
            "these ids"
        )
    return _therapy(therapy_id)


def _therapy(therapy_id: str) -> Therapy:
    leaves = table().group(therapy_id)
    plain = {name: leaf for name, leaf in leaves.items() if "." not in name}
    return Therapy(
        id=therapy_id,
        words=str(plain["words"].value),
        species=str(plain["species"].value),
        planned_ahead=bool(plain["planned_ahead"].value),
        parameters=MappingProxyType(plain),
        stops=MappingProxyType(table().group(f"{therapy_id}.stop")),
        cautions=MappingProxyType(table().group(f"{therapy_id}.caution")),
    )
