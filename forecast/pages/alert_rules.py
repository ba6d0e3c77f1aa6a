"""One alert rule for all regions: stated once, seen at work in each, switched on or off in all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from forecast.accounts.roles import Right
from forecast.alerts.rules import set_rules, switch_all
from forecast.pages.alert_rule import KINDS_EXPLAINED, Typed, stated_by, typed_by, typed_of
from forecast.pages.alerts import PATH, by_whom, theirs
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, View
from forecast.records.alert_rules import AlertRule, rules_in_force
from forecast.regions import Region
from models.errors import ForepawError

_HERE = f"{PATH}/rules"
_NOT_TAKEN = 422


@dataclass(frozen=True)
class RegionRule:
    """The rule of one region, and what it would have done in past seasons; "" where it has none."""

    region: str
    name: str
    stands: str
    threshold: str
    kinds: str
    would_have: str


@dataclass(frozen=True)
class RulesPage:
    """What the page of all regions' rules says.

    Attributes
    ----------
    may_switch
        Whether every region has a rule, so that all can be switched.
    is_on
        Whether every rule is switched on.
    rests_on
        What past seasons were simulated on.
    """

    answer: str
    rows: tuple[RegionRule, ...]
    may_switch: bool
    is_on: bool
    rests_on: str
    typed: Typed
    kinds: tuple[tuple[str, str], ...]
    action: str = _HERE
    wrong: str = ""


def _rules(asked: Asked) -> View | GoTo:
    places = theirs(asked)
    if not places:
        raise NotFoundError("there is no region of yours to state a rule for")
    if asked.request.method != "POST":
        return _view(_page(asked, places))
    typed = typed_by(asked)
    try:
        set_rules(
            asked.practice,
            asked.records,
            list(places),
            stated_by(typed),
            by=by_whom(asked),
            now=asked.practice.now,
        )
    except ForepawError as refused:
        wrong = f"{str(refused)[:1].upper()}{str(refused)[1:]}."
        page = replace(_page(asked, places), typed=typed, wrong=wrong)
        return View("alert_rules.html", page, status=_NOT_TAKEN)
    said = f"Kept for {len(places)} regions, and switched off. Below is what it would have done."
    return GoTo(f"{_HERE}#past", said)


def _switch(asked: Asked) -> GoTo:
    places, on = theirs(asked), asked.text("on") == "yes"
    switch_all(asked.records, list(places), on=on, by=by_whom(asked), now=asked.practice.now)
    return GoTo(_HERE, f"The rules of {len(places)} regions are switched {'on' if on else 'off'}.")


def _view(page: RulesPage) -> View:
    return View("alert_rules.html", page, {"rules": [vars(row) for row in page.rows]})


def _page(asked: Asked, places: Mapping[str, Region]) -> RulesPage:
    in_force = rules_in_force(asked.records)
    rules = {key: in_force.get(key) for key in places}
    held = [rule for rule in rules.values() if rule is not None]
    shown = next((rule.simulation for rule in held if rule.simulation), None) or {}
    return RulesPage(
        _answer(len(places), held),
        tuple(_row(places[key], rule) for key, rule in rules.items()),
        len(held) == len(places),
        len(held) == len(places) and all(rule.is_on for rule in held),
        str(shown.get("rests_on", "")),
        typed_of(held[0] if len(held) == len(places) and _is_same(held) else None),
        KINDS_EXPLAINED,
    )


def _row(region: Region, rule: AlertRule | None) -> RegionRule:
    if rule is None:
        return RegionRule(region.id, region.name, "none yet", "", "", "")
    would_have = str((rule.simulation or {}).get("own", ""))
    stands = "on" if rule.is_on else "off"
    threshold, kinds = f"{rule.on_odds:.0%}", ", ".join(rule.kinds)
    return RegionRule(region.id, region.name, stands, threshold, kinds, would_have)


def _answer(n_regions: int, held: list[AlertRule]) -> str:
    on = sum(rule.is_on for rule in held)
    if not held:
        return f"None of {n_regions} regions has an alert rule yet"
    is_same = len(held) == n_regions and _is_same(held)
    if not on:
        same = ": all have the same rule, switched off" if is_same else ""
        return f"None of {n_regions} regions is watched{same}"
    many = "All" if on == n_regions else f"{on} of"
    are, same = "is" if on == 1 else "are", " by the same rule" if is_same else ""
    return f"{many} {n_regions} regions {are} watched{same}"


def _is_same(held: list[AlertRule]) -> bool:
    """Say whether all rules state the same, whoever made them when."""
    return len({_numbers(rule) for rule in held}) == 1


def _numbers(rule: AlertRule) -> tuple[object, ...]:
    return (
        *(rule.cost, rule.loss, rule.off_share, rule.shortest_lead, rule.longest_lead),
        *(rule.gap, rule.kinds, rule.budget, rule.without_skill),
    )


PAGES = (
    Page(
        _HERE, "alert-rules", Right.PREPARE_ALERTS, _rules, methods=("GET", "POST"), has_data=True
    ),
    Page(f"{_HERE}/switch", "switch-alerts", Right.PREPARE_ALERTS, _switch, methods=("POST",)),
)
