"""The rules that a practice goes by: those shipped, tightened as it likes, loosened by a named vet.

A change stands in practice.toml as a table `[[dosing.rule]]`: the rule by the name under which
`forepaw therapies` lists it, its value, and, where it lets more through than the shipped one, the
vet who answers for it and why. That is printed on every plan it bears on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, cached_property
from types import MappingProxyType

from forecast.dosing.therapies import (
    THERAPY_IDS,
    DosingError,
    Therapy,
    Verdict,
    cover_rules_of,
    table,
    therapies_of,
)
from forecast.dosing.work_up import FINDINGS
from forecast.practice import Practice
from forecast.settings_sections import DosingRuleSection
from forecast.toml_text import did_you_mean
from forecast.visits.counting.cover import CoverRule
from models.parameters import Parameter

# A higher number lets less through, or a lower one.
_HIGHER_IS_TIGHTER = (
    *("minimum_age", "minimum_weight", "minimum_interval", "onset"),
    *("live_vaccine_gap", "flare_closed_after", "spoken_scale_limit"),
)
_LOWER_IS_TIGHTER = (
    *("full_until", "ends_at", "needs_care_score", "score_current_for", "weight_current_for"),
)
_GENERAL = ("readiness", "current_for")
_NO_STOP = str(Verdict.READY)  # a stop that stops nothing
_VERDICTS = (Verdict.NOT_SUITABLE, Verdict.WORK_UP_FIRST, Verdict.VET_MUST_DECIDE, Verdict.READY)


@dataclass(frozen=True)
class Loosened:
    """A rule that a vet of the practice loosened: which, from what to what, who and why."""

    rule: str
    shipped: str
    own: str
    vet: str
    reason: str

    @property
    def sentence(self) -> str:
        """What every plan that it bears on says."""
        return (
            f"This practice's rule {self.rule} is {self.own}, looser than {self.shipped} as "
            f"shipped; {self.vet} answers for it: {self.reason}."
        )

    def bears_on(self, therapy_id: str) -> bool:
        """Say whether plans of a therapy rest on it."""
        return self.rule.split(".")[0] in (*_GENERAL, therapy_id)


@dataclass(frozen=True)
class Rules:
    """Every rule in force, by its dotted name, and those among them that were loosened."""

    parameters: Mapping[str, Parameter]
    loosened: tuple[Loosened, ...] = ()

    @cached_property
    def therapies(self) -> Mapping[str, Therapy]:
        """Every therapy under these rules, by id."""
        return MappingProxyType(therapies_of(self.parameters))

    @cached_property
    def cover(self) -> Mapping[str, CoverRule]:
        """How long a dose, or a course, of each therapy covers under these rules, by id."""
        return MappingProxyType(cover_rules_of(self.therapies))

    @cached_property
    def current_for(self) -> Mapping[str, int]:
        """For how many days good news of each kind counts as current."""
        start = "current_for."
        return {
            name.removeprefix(start): int(leaf.number)
            for name, leaf in self.parameters.items()
            if name.startswith(start)
        }

    def days(self, name: str) -> int:
        """Return one rule in whole days."""
        return int(self.parameters[name].number)


@cache
def shipped_rules() -> Rules:
    """Return the rules as they are shipped."""
    return Rules(table().parameters)


def rules_of(practice: Practice) -> Rules:
    """Return the rules that a practice goes by.

    Raises
    ------
    DosingError
        If a rule of practice.toml is none, its value none that it can have, or it lets more through
        without saying who answers for it and why.
    """
    return changed(practice.settings.dosing.rule)


def changed(changes: Iterable[DosingRuleSection]) -> Rules:
    """Return the shipped rules with a practice's changes."""
    shipped = table().parameters
    parameters, loosened = dict(shipped), list[Loosened]()
    for number, change in enumerate(changes, start=1):
        asked = f"practice.toml, [[dosing.rule]] number {number}, rule {change.rule!r}"
        known = shipped.get(change.rule) or _possible_stop(change.rule)
        if known is None or not may_change(change.rule):
            raise DosingError(f"{asked} is none that a practice can set{_hint(change.rule)}")
        own = _own(known, change, asked)
        if _is_looser(change.rule, known, own):
            loosened.append(_loosened(change, known, own, asked))
        parameters[change.rule] = own
    return Rules(MappingProxyType(parameters), tuple(loosened))


def may_change(name: str) -> bool:
    """Say whether a practice can set a rule of its own in the place of this one."""
    first, *rest = name.split(".")
    if len(rest) == 2:
        return first in THERAPY_IDS and rest[0] == "stop" and rest[1] in FINDINGS
    return len(rest) == 1 and (
        first == "current_for" or rest[0] in (*_HIGHER_IS_TIGHTER, *_LOWER_IS_TIGHTER)
    )


def _hint(name: str) -> str:
    names = [known for known in table().parameters if may_change(known)]
    return did_you_mean(name, names) or "; `forepaw therapies` lists them"


def _possible_stop(name: str) -> Parameter | None:
    """Return what a finding that stops nothing yet counts as, if the name is one of those."""
    if ".stop." not in name or not may_change(name):
        return None
    return Parameter(_NO_STOP, "1", "no stop is shipped", "assumed")


def _own(known: Parameter, change: DosingRuleSection, asked: str) -> Parameter:
    if isinstance(known.value, str):
        words = [str(verdict) for verdict in _VERDICTS]
        if change.value not in words:
            raise DosingError(f"{asked} is {change.value!r}; allowed are {', '.join(words)}")
    elif isinstance(change.value, str | bool) or change.value < 0:
        raise DosingError(
            f"{asked} is {change.value!r}; it must be a number of {known.unit}, 0 or more"
        )
    said = f"own rule of this practice; shipped: {_shown(known)} ({known.source})"
    return replace(known, value=change.value, source=said)


def _is_looser(name: str, known: Parameter, own: Parameter) -> bool:
    if isinstance(known.value, str):
        order = [str(verdict) for verdict in _VERDICTS]
        return order.index(str(own.value)) > order.index(known.value)
    if name.split(".")[-1] in _HIGHER_IS_TIGHTER:
        return own.number < known.number
    return own.number > known.number


def _loosened(change: DosingRuleSection, known: Parameter, own: Parameter, asked: str) -> Loosened:
    if not (change.vet and change.reason):
        raise DosingError(
            f"{asked} is {_shown(own)}, which lets more through than {_shown(known)} as shipped; "
            'add vet = "who answers for it" and reason = "why", or take the table out'
        )
    return Loosened(change.rule, _shown(known), _shown(own), change.vet, change.reason)


def _shown(one: Parameter) -> str:
    return str(one.value) if one.unit == "1" else f"{one.value} {one.unit}"
