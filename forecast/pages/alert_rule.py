"""The alert rule of a region: stated in a short dialogue, seen at work in the past, put to it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from forecast.accounts.roles import Right
from forecast.alerts.deciding import table
from forecast.alerts.rules import Stated, from_right_of_ten, set_rule, switch, threshold_sentence
from forecast.pages.alerts import PATH, by_whom, local, theirs, who_is
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.records import alert_rules as rules_held
from forecast.records.alert_rules import AlertRule
from forecast.records.alert_tables import ALERT_KINDS
from forecast.wording import odds
from models.errors import ForepawError

_NOT_TAKEN = 422
_EXPLAINED = {
    "season near": "once a season, when the usual weeks begin",
    "peak near": "once a season, when its highest week is near",
    "season over": "once a season, when a month ahead looks quiet",
    "sudden high week": "weeks that past years would not have called high",
}
KINDS_EXPLAINED = tuple((kind, _EXPLAINED[kind]) for kind in ALERT_KINDS)


@dataclass(frozen=True)
class Typed:
    """What stands in the form."""

    how: str
    right: str
    cost: str
    loss: str
    kinds: tuple[str, ...]
    shortest_lead: str
    longest_lead: str
    gap: str
    off_share: str
    budget: str
    without_skill: str


@dataclass(frozen=True)
class PastRow:
    """One date on which the rule would have spoken."""

    day: str
    kind: str
    came: str


@dataclass(frozen=True)
class HistoryRow:
    """One rule that the region had."""

    made: str
    by: str
    state: str
    threshold: str
    kinds: str


@dataclass(frozen=True)
class RulePage:
    """What the page of a region's rule says; `in_words` is "" where there is none yet."""

    region: str
    name: str
    answer: str
    is_on: bool
    exists: bool
    in_words: str
    typed: Typed
    kinds: tuple[tuple[str, str], ...]
    rests_on: str
    own: str
    pooled: str
    spoken: tuple[PastRow, ...]
    history: tuple[HistoryRow, ...]
    action: str
    wrong: str = ""


def _rule(asked: Asked) -> View | GoTo:
    region = asked.path["region"]
    places = theirs(asked)
    if region not in places:
        raise NotFoundError(f"there is no region {region!r}")
    if asked.request.method != "POST":
        return View("alert_rule.html", _page(asked, region))
    typed = typed_by(asked)
    try:
        set_rule(
            asked.practice,
            asked.records,
            region,
            stated_by(typed),
            by=by_whom(asked),
            now=asked.practice.now,
        )
    except ForepawError as refused:
        text = str(refused)
        page = replace(_page(asked, region), typed=typed, wrong=f"{text[:1].upper()}{text[1:]}.")
        return View("alert_rule.html", page, status=_NOT_TAKEN)
    said = "Kept, and switched off. Below is what it would have done."
    return GoTo(f"{PATH}/rule/{region}#past", said)


def _switch(asked: Asked) -> GoTo:
    region, on = asked.path["region"], asked.text("on") == "yes"
    if region not in theirs(asked):
        raise NotFoundError(f"there is no region {region!r}")
    switch(asked.records, region, on=on, by=by_whom(asked), now=asked.practice.now)
    return GoTo(f"{PATH}/rule/{region}", f"The rule is switched {'on' if on else 'off'}.")


def _page(asked: Asked, region: str) -> RulePage:
    name, who = theirs(asked)[region].name, who_is(asked)
    history = rules_held.rule_history(asked.records, region)
    rule = history[0] if history else None
    shown: dict[str, Any] = dict(rule.simulation or {}) if rule else {}
    return RulePage(
        region,
        name,
        _answer(name, rule),
        bool(rule and rule.is_on),
        rule is not None,
        threshold_sentence(rule) if rule else "",
        typed_of(rule),
        KINDS_EXPLAINED,
        str(shown.get("rests_on", "")),
        str(shown.get("own", "")),
        str(shown.get("pooled", "")),
        tuple(PastRow(one["day"], one["kind"], one["came"]) for one in shown.get("spoken", ())),
        tuple(
            HistoryRow(
                local(asked, one.made_at),
                who.get(one.made_by, "somebody"),
                "on" if one.is_on else "off",
                f"{one.on_odds:.0%}",
                ", ".join(one.kinds),
            )
            for one in history
        ),
        action=f"{PATH}/rule/{region}",
    )


def _answer(name: str, rule: AlertRule | None) -> str:
    if rule is None:
        return f"{name} has no alert rule yet"
    if not rule.is_on:
        return f"{name}: the rule is switched off; nothing is drafted"
    return f"{name} is spoken of where the odds of a high week are {odds(rule.on_odds)} or more"


def typed_of(rule: AlertRule | None) -> Typed:
    """Return what stands in the form at first: a rule's numbers, or the usual ones."""
    usual = table()

    def text(name: str) -> str:
        value = getattr(rule, name) if rule else usual.number(f"rule.{name}")
        return f"{value:g}"

    right = ""
    if rule is not None and rule.loss == 10 and rule.cost == int(rule.cost):
        right = f"{rule.cost:g}"
    return Typed(
        how="costs" if rule is not None and not right else "right",
        right=right or "3",
        cost=f"{rule.cost:g}" if rule else "",
        loss=f"{rule.loss:g}" if rule else "",
        kinds=rule.kinds if rule else ALERT_KINDS,
        shortest_lead=text("shortest_lead"),
        longest_lead=text("longest_lead"),
        gap=text("gap"),
        off_share=text("off_share"),
        budget=text("budget"),
        without_skill=rule.without_skill if rule else "hold",
    )


def typed_by(asked: Asked) -> Typed:
    """Return what somebody typed."""
    form: Any = asked.form
    several = form.getlist("kinds") if hasattr(form, "getlist") else []
    names = ("how", "right", "cost", "loss", "shortest_lead", "longest_lead", "gap")
    more = ("off_share", "budget", "without_skill")
    fields = {name: asked.text(name) for name in (*names, *more)}
    return Typed(**fields, kinds=tuple(one for one in several if isinstance(one, str)))


def stated_by(typed: Typed) -> Stated:
    """Return the rule that was typed.

    Raises
    ------
    PageError
        If a number is none.
    """
    if typed.how == "costs":
        cost, loss = _number(typed.cost, "the cost"), _number(typed.loss, "the loss")
    else:
        cost, loss = from_right_of_ten(_whole(typed.right, "right alerts of ten"))
    return Stated(
        cost,
        loss,
        kinds=typed.kinds,
        shortest_lead=_whole(typed.shortest_lead, "the shortest lead"),
        longest_lead=_whole(typed.longest_lead, "the longest lead"),
        gap=_whole(typed.gap, "the gap"),
        off_share=_number(typed.off_share, "the lower threshold"),
        budget=_whole(typed.budget, "the budget"),
        without_skill="send" if typed.without_skill == "send" else "hold",
    )


def _number(text: str, what: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise PageError(f"{what} is {text!r}; write a number") from None


def _whole(text: str, what: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 7):
        raise PageError(f"{what} is {text!r}; write a whole number")
    return int(text)


_MAY = Right.PREPARE_ALERTS
PAGES = (
    Page(f"{PATH}/rule/{{region}}", "alert-rule", _MAY, _rule, methods=("GET", "POST")),
    Page(f"{PATH}/rule/{{region}}/switch", "switch-alert", _MAY, _switch, methods=("POST",)),
)
