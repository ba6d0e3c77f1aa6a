"""Every rule of the dosing desk as a list: what it is, where it comes from, and the test of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from forecast.csv_text import csv_text
from forecast.dosing.rules import Rules
from models.parameters import Parameter

COLUMNS = ("rule", "value", "unit", "status", "source", "test")
# The test of each rule is called as the rule is; that none is lacking is a test too.
TEST = "tests/forecast/dosing/test_every_rule.py::test_rule[{}]"
_OF_A_THERAPY = ("species", "minimum_age", "minimum_weight", "minimum_interval")
_ALSO_OF_A_THERAPY = ("covers", "beside_others", "needs_allergy_test")
_GROUPS = ("stop", "caution", "monitoring")
_GENERAL = ("readiness", "current_for")


@dataclass(frozen=True)
class ListedRule:
    """One rule in force, and the test that holds it."""

    rule: str
    parameter: Parameter

    @property
    def test(self) -> str:
        """The test of this rule, as pytest names it."""
        return TEST.format(self.rule)

    @property
    def cells(self) -> tuple[str, ...]:
        """Its cells, in the order of `COLUMNS`."""
        one = self.parameter
        value = {True: "yes", False: "no"}[one.value] if isinstance(one.value, bool) else one.value
        unit = "" if one.unit == "1" else one.unit
        return (self.rule, str(value), unit, one.status, one.source, self.test)


def listed_rules(rules: Rules) -> dict[str, list[ListedRule]]:
    """Return every rule by what it is of, a class of therapy first, then those of every dog."""
    titles = {therapy.id: therapy.words for therapy in rules.therapies.values()}
    titles |= {"readiness": "every therapy", "current_for": "how long good news counts"}
    return {
        title: [ListedRule(name, rules.parameters[name]) for name in _names(rules, first)]
        for first, title in titles.items()
    }


def _names(rules: Rules, first: str) -> Iterator[str]:
    for name in rules.parameters:
        parts = name.split(".")
        if parts[0] != first:
            continue
        if first in _GENERAL or parts[1] in (*_OF_A_THERAPY, *_ALSO_OF_A_THERAPY, *_GROUPS):
            yield name


def rules_csv(rules: Rules) -> str:
    """Return every rule as CSV text."""
    rows = [one.cells for group in listed_rules(rules).values() for one in group]
    return csv_text(COLUMNS, rows)


def n_rules(rules: Rules) -> dict[str, int]:
    """Return how many rules there are of each status, most first."""
    found: dict[str, int] = {}
    for group in listed_rules(rules).values():
        for one in group:
            found[one.parameter.status] = found.get(one.parameter.status, 0) + 1
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))
