"""The rule of a region: stated by the practice, simulated, then switched on; its history stays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from forecast.accounts.audit import Action, note
from forecast.alerts.deciding import table
from forecast.alerts.errors import AlertError
from forecast.alerts.simulating import PastOdds, Simulation, past_odds, simulate_in
from forecast.practice import Practice
from forecast.records.alert_rules import AlertRule, add_rule, rules_in_force
from forecast.records.alert_tables import ALERT_KINDS
from forecast.records.alerts import BY_COMMAND_LINE
from forecast.records.engine import Records
from forecast.records.identifiers import new_id
from forecast.wording import odds as odds_in_words


@dataclass(frozen=True)
class Stated:
    """What a practice states of a rule; what it leaves out is as the table has it.

    `cost` and `loss` are in one unit of its own, such as minutes or money.
    """

    cost: float
    loss: float
    kinds: Sequence[str] = ALERT_KINDS
    shortest_lead: int | None = None
    longest_lead: int | None = None
    gap: int | None = None
    off_share: float | None = None
    budget: int | None = None
    without_skill: Literal["hold", "send"] = "hold"


def set_rule(
    practice: Practice,
    records: Records,
    region_id: str,
    stated: Stated,
    *,
    by: str | None,
    now: datetime,
    past: PastOdds | None = None,
) -> tuple[AlertRule, Simulation]:
    """Keep a rule, switched off, with what it would have done; `switch` puts it to work.

    Parameters
    ----------
    by
        The account; None for the command line.
    past
        Odds of past origins where they are at hand.

    Raises
    ------
    AlertError
        If the region is none of the practice's, or a number is not one a rule may have.
    """
    return set_rules(practice, records, [region_id], stated, by=by, now=now, past=past)[0]


def set_rules(
    practice: Practice,
    records: Records,
    region_ids: Sequence[str],
    stated: Stated,
    *,
    by: str | None,
    now: datetime,
    past: PastOdds | None = None,
) -> list[tuple[AlertRule, Simulation]]:
    """State one rule for several regions: each gets its own, with its own past, or none does."""
    for region_id in region_ids:
        _check_region(practice, region_id)
    made = [_made(region_id, stated, by=by, now=now) for region_id in region_ids]
    past = past_odds(practice) if past is None else past
    shown = simulate_in(made[0], region_ids, past, seed=practice.settings.forecast.seed)
    kept = [replace(one, simulation=shown[one.region_id].plain()) for one in made]
    _keep(records, kept, by=by, now=now)
    return [(one, shown[one.region_id]) for one in kept]


def switch(
    records: Records, region_id: str, *, on: bool, by: str | None, now: datetime
) -> AlertRule:
    """Switch a region's rule on or off; one that was never simulated is not switched on."""
    return switch_all(records, [region_id], on=on, by=by, now=now)[0]


def switch_all(
    records: Records, region_ids: Sequence[str], *, on: bool, by: str | None, now: datetime
) -> list[AlertRule]:
    """Switch the rules of several regions; where one of them cannot be, none is."""
    in_force = rules_in_force(records)
    held = [_to_switch(in_force.get(one), one, on) for one in region_ids]
    made = [
        one
        if one.is_on == on
        else replace(one, id=new_id(), is_on=on, made_by=by or BY_COMMAND_LINE, made_at=now)
        for one in held
    ]
    changed = [new for new, old in zip(made, held, strict=True) if new is not old]
    _keep(records, changed, by=by, now=now)
    return made


def _to_switch(held: AlertRule | None, region_id: str, on: bool) -> AlertRule:
    if held is None:
        raise AlertError(
            f"the alert rule of {region_id} was to be switched {'on' if on else 'off'}; there is "
            f"none yet: state one with `forepaw alert rule {region_id} --cost C --loss L`"
        )
    if on and held.simulation is None:
        raise AlertError(
            f"the alert rule of {region_id} was to be switched on, and nobody has seen what it "
            "would have done: state it anew, it is then simulated"
        )
    return held


def _keep(records: Records, made: Sequence[AlertRule], *, by: str | None, now: datetime) -> None:
    with records.writing() as connection:
        for one in made:
            add_rule(connection, one)
            note(connection, Action.ALERT_RULE_SET, by=by, subject=one.id, now=now)


def threshold_sentence(rule: AlertRule) -> str:
    """Say what the stated costs come to, so that whoever stated them can see if they meant it."""
    false = (1.0 - rule.on_odds) / rule.on_odds
    return (
        f"It speaks where the odds of a high week are {odds_in_words(rule.on_odds)} or more "
        f"({rule.on_odds:.0%}: an alert costs {rule.cost:g}, a high week without warning "
        f"{rule.loss:g}). At that threshold about {false:.1f} of such alerts are false for one "
        f"that is right. The region counts as quiet again below {rule.off_odds:.0%}."
    )


def from_right_of_ten(n_right: int) -> tuple[float, float]:
    """Return cost and loss of a practice that is content if so many of ten alerts are right.

    Whoever takes n right ones of ten for worth it holds an alert's cost to be n tenths of what
    a high week without warning costs.
    """
    if not 1 <= n_right <= 9:
        raise AlertError(
            f"{n_right} right alerts of ten were asked for; between 1 and 9 can be: a forecast "
            "that is always right there is not"
        )
    return float(n_right), 10.0


def _made(region_id: str, stated: Stated, *, by: str | None, now: datetime) -> AlertRule:
    usual = table()

    def whole(value: int | None, name: str) -> int:
        return int(usual.number(f"rule.{name}")) if value is None else value

    off_share = usual.number("rule.off_share") if stated.off_share is None else stated.off_share
    made = AlertRule(
        id=new_id(),
        region_id=region_id,
        made_at=now,
        made_by=by or BY_COMMAND_LINE,
        is_on=False,
        cost=stated.cost,
        loss=stated.loss,
        off_share=off_share,
        shortest_lead=whole(stated.shortest_lead, "shortest_lead"),
        longest_lead=whole(stated.longest_lead, "longest_lead"),
        gap=whole(stated.gap, "gap"),
        kinds=tuple(kind for kind in ALERT_KINDS if kind in stated.kinds),
        budget=whole(stated.budget, "budget"),
        without_skill=stated.without_skill,
    )
    for wrong in _wrong(made, stated.kinds):
        raise AlertError(f"an alert rule of {region_id} was stated in which {wrong}")
    return made


def _wrong(made: AlertRule, kinds: Sequence[str]) -> list[str]:
    longest = int(table().number("rule.longest_span"))
    most = int(table().number("rule.most_budget"))
    strange = [kind for kind in kinds if kind not in ALERT_KINDS]
    rules = (
        (
            not (0 < made.cost < made.loss < math.inf and made.on_odds > 0),
            f"an alert costs {made.cost:g} and a high week without warning {made.loss:g}; both "
            "must be above nothing and the first below the second, else no alert is worth it",
        ),
        (not 0 < made.off_share <= 1, f"off_share is {made.off_share:g}; between 0 and 1 is right"),
        (
            not 0 <= made.shortest_lead <= made.longest_lead <= longest,
            f"the lead is {made.shortest_lead} to {made.longest_lead} days; name two numbers in "
            f"their order, up to {longest}",
        ),
        (
            made.longest_lead - made.shortest_lead < 7,
            f"the lead is {made.shortest_lead} to {made.longest_lead} days; a week must lie "
            "between them, or some Mondays are never within reach",
        ),
        (not 0 <= made.gap <= longest, f"the gap is {made.gap} days; 0 to {longest} can be"),
        (not 1 <= made.budget <= most, f"the budget is {made.budget} a year; 1 to {most} can be"),
        (
            bool(strange),
            f"it speaks of {', '.join(map(repr, strange))}; kinds are {', '.join(ALERT_KINDS)}",
        ),
        (not made.kinds, f"it speaks of nothing; kinds are {', '.join(ALERT_KINDS)}"),
    )
    return [sentence for is_wrong, sentence in rules if is_wrong]


def _check_region(practice: Practice, region_id: str) -> None:
    known = [region.id for region in practice.settings.region]
    if region_id not in known:
        raise AlertError(
            f"an alert of the region {region_id!r} was asked for; practice.toml has "
            f"{', '.join(known)}"
        )
