"""The desk: alerts are drafted, edited, approved by people, or thrown away; never sent from here.

Each step writes its row and its line of the audit in one transaction. An approval holds the hash of
the exact texts, and so does the audit: an edit after it makes it void.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import cast

from forecast.accounts.audit import Action, note
from forecast.alerts.catalogues import language
from forecast.alerts.checking import TextError, check_text
from forecast.alerts.deciding import Looked, Spoken, decide, span_of
from forecast.alerts.drafting import (
    Facts,
    Written,
    facts_of,
    sentences_that_stay,
    write,
)
from forecast.alerts.errors import AlertError
from forecast.alerts.outlook import skill_of, standing_of, weeks_ahead
from forecast.issuing import Issue
from forecast.languages import Language
from forecast.practice import Practice
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held
from forecast.records.alert_rules import AlertRule, LookedAt
from forecast.records.alert_tables import ALERT_KINDS
from forecast.records.alert_texts import AlertText
from forecast.records.alerts import BY_CLOCK, BY_COMMAND_LINE, DRAFT, Alert, Kind, Skill
from forecast.records.engine import Records
from forecast.records.identifiers import new_id
from forecast.records.notices import end_notice

_HINDCAST = "the newest forecast is a hindcast"
WAITING_DRAFTS = "alert drafts"  # what the notice is about that tells people of them


@dataclass(frozen=True)
class Drafted:
    """What a look at all regions came to: the drafts, and why the others have none, by region."""

    alerts: tuple[Alert, ...]
    why: dict[str, str]


def languages_of(practice: Practice) -> list[Language]:
    """Return the languages alerts are written in; what no catalogue speaks whole is English."""
    codes = practice.settings.alerts.languages or (practice.settings.practice.language,)
    return list({language(code).code: language(code) for code in codes}.values())


def first_language_of(practice: Practice) -> Language:
    """Return the language alerts begin with: the practice's own if they are in it."""
    own, spoken = practice.settings.practice.language, languages_of(practice)
    return next((one for one in spoken if one.code == own), spoken[0])


# ------------------------------------------------------------------------------ drafting
def draft_due(practice: Practice, records: Records, issue: Issue) -> Drafted:
    """Look at every region whose rule is on and draft what is due; once an issue and region."""
    rules = {k: rule for k, rule in rules_held.rules_in_force(records).items() if rule.is_on}
    rules = {k: rules[k] for k in _region_names(practice) if k in rules}
    if issue.cut.kind != "issued":
        return Drafted((), dict.fromkeys(rules, _HINDCAST))
    looks = rules_held.last_looks(records)
    skill: Skill | None = None
    made, why = [], {}
    for region_id, rule in rules.items():
        look = looks.get(region_id)
        if look is not None and look.issue_id == issue.id:
            why[region_id] = look.why
            continue
        looked = _look(practice, records, issue, rule, look)
        drafted = None
        if looked.spoken is not None:
            skill = skill_of(practice, records)[0] if skill is None else skill
            drafted = _alert(practice, issue, rule, looked.spoken, skill=skill, by=BY_CLOCK)
        kept = LookedAt(region_id, issue.id, practice.now, looked.standing.is_on, looked.why)
        _keep(practice, records, drafted, look=kept, by=None)
        why[region_id] = looked.why
        made += [drafted] if drafted else []
    return Drafted(tuple(made), why)


def _look(
    practice: Practice, records: Records, issue: Issue, rule: AlertRule, look: LookedAt | None
) -> Looked:
    mine = held.alerts(records, region_id=rule.region_id)
    standing = standing_of(mine, look, practice)
    if any(one.state == DRAFT and one.last_week >= issue.cut.origin for one in mine):
        return Looked("a draft waits for a decision", standing)
    weeks = weeks_ahead(issue.forecast, rule.region_id)
    return decide(rule, weeks, standing, day=_day(practice, issue))


def _day(practice: Practice, issue: Issue) -> date:
    """Return the day that leads count from: a forecast may be older than what is said of it."""
    return max(issue.cut.origin, practice.today)


def draft_by_hand(
    practice: Practice,
    records: Records,
    issue: Issue,
    region_id: str,
    *,
    kind: Kind,
    by: str | None,
) -> Alert:
    """Draft an alert that a person asks for, whatever was said before.

    Raises
    ------
    AlertError
        If the region has no rule, which holds threshold and lead, the odds do not bear it out, or
        they are of a hindcast.
    """
    names = _region_names(practice)
    if region_id not in names:
        raise AlertError(
            f"a draft for {region_id!r} was asked for; practice.toml has {', '.join(names)}"
        )
    name, rule = names[region_id], rules_held.rules_in_force(records).get(region_id)
    if rule is None:
        raise AlertError(
            f"a draft for {name} was asked for; state the region's rule first, which holds "
            f"threshold and lead: `forepaw alert rule {region_id} --cost C --loss L`"
        )
    if issue.cut.kind != "issued":
        raise AlertError(f"a draft for {name} was asked for; {_HINDCAST}: make a forecast first")
    weeks = weeks_ahead(issue.forecast, region_id)
    spoken = span_of(rule, kind, weeks, day=_day(practice, issue))
    if isinstance(spoken, str):
        raise AlertError(f"an alert {kind!r} of {name} was asked for; {spoken}")
    skill = skill_of(practice, records)[0]
    made = _alert(practice, issue, rule, spoken, skill=skill, by=by or BY_COMMAND_LINE)
    _keep(practice, records, made, look=None, by=by)
    return made


def _alert(
    practice: Practice, issue: Issue, rule: AlertRule, spoken: Spoken, *, skill: Skill, by: str
) -> Alert:
    facts = facts_of(
        spoken,
        region=_region_names(practice)[rule.region_id],
        practice=practice.settings.practice.name,
        skill=skill,
        is_invented=practice.settings.practice.invented,
    )
    return Alert(
        id=new_id(),
        region_id=rule.region_id,
        kind=spoken.kind,
        state=DRAFT,
        rule_id=rule.id,
        issue_id=issue.id,
        made_at=practice.now,
        made_by=by,
        first_week=spoken.weeks[0],
        last_week=spoken.weeks[-1],
        odds=spoken.odds,
        usual_odds=spoken.usual,
        skill=skill,
        facts=facts.plain(),
    )


def _keep(
    practice: Practice,
    records: Records,
    made: Alert | None,
    *,
    look: LookedAt | None,
    by: str | None,
) -> None:
    texts = [] if made is None else _texts(practice, made)
    with records.writing() as connection:
        if look is not None:
            rules_held.keep_look(connection, look)
        if made is not None:
            held.add_alert(connection, made, texts)
            note(connection, Action.ALERT_DRAFTED, by=by, subject=made.id, now=made.made_at)


def _texts(practice: Practice, made: Alert) -> list[AlertText]:
    written = [write(facts_from(made), speaks) for speaks in languages_of(practice)]
    return [_first_text(made, one) for one in written]


def facts_from(made: Alert) -> Facts:
    """Return the facts that an alert's texts were written from."""
    days = {name: date.fromisoformat(made.facts[name]) for name in ("day", "first", "last", "best")}
    return Facts(**{**made.facts, **days})


def stays_in(made: Alert, code: str) -> list[str]:
    """Return the cautions of an alert that stay in its text, whoever edits it."""
    return sentences_that_stay(facts_from(made), language(code))


def _first_text(made: Alert, one: Written) -> AlertText:
    return AlertText(
        made.id, one.language, 1, one.subject, one.body, one.blocks, made.made_at, made.made_by
    )


# ------------------------------------------------------------------------------ editing
def edit(
    records: Records,
    alert_id: str,
    code: str,
    *,
    subject: str,
    body: str,
    by: str | None,
    now: datetime,
) -> AlertText:
    """Keep a newer text of a draft; the fixed blocks below it are not edited.

    An approved alert becomes a draft again: nobody approved this text.
    """
    made = held.alert(records, alert_id)
    subject, body = check_text(subject, body)
    told = " ".join(body.split())
    lacking = [one for one in stays_in(made, code) if one not in told]
    if lacking:
        raise TextError(
            "the text must say, as it did: " + ", and ".join(map(repr, lacking)) + "; put it back"
        )
    who = by or BY_COMMAND_LINE
    with records.writing() as connection:
        before = texts_held.texts_within(connection, alert_id).get(code)
        if before is None:
            raise AlertError(f"alert {alert_id} has no text in {code!r} to be edited")
        if (subject, body) == (before.subject, before.body):
            return before
        number = before.number + 1
        text = replace(before, number=number, subject=subject, body=body)
        text = replace(text, written_at=now, written_by=who)
        held.set_state(connection, made.id, DRAFT, among=(DRAFT, held.APPROVED), approved_at=None)
        texts_held.add_text(connection, text)
        note(connection, Action.ALERT_EDITED, by=by, subject=made.id, now=now)
    return text


def discard(records: Records, alert_id: str, *, by: str | None, now: datetime) -> None:
    """Throw a draft away, or an approved alert that has not gone out; what was written stays."""
    with records.writing() as connection:
        held.set_state(
            connection, alert_id, held.DISCARDED, among=(DRAFT, held.APPROVED), approved_at=None
        )
        note(connection, Action.ALERT_DISCARDED, by=by, subject=alert_id, now=now)
    end_if_none_waits(records, now=now)


def waiting_sentence(records: Records) -> str | None:
    """Say that drafts wait for a decision, for a notice; None where none does."""
    waiting = held.alerts(records, states=(DRAFT,))
    if not waiting:
        return None
    first = min(waiting, key=lambda one: one.first_week)
    many = "1 alert draft waits" if len(waiting) == 1 else f"{len(waiting)} alert drafts wait"
    return (
        f"{many} for a decision; the first is of {first.region_id} ({first.kind}), whose weeks "
        f"begin on {first.first_week}: read it on the page of alerts"
    )


def end_if_none_waits(records: Records, *, now: datetime) -> None:
    """End the notice that drafts wait, where none does any more."""
    if waiting_sentence(records) is None:
        end_notice(records, WAITING_DRAFTS, now=now)


def kind_of(words: str) -> Kind:
    """Return the kind of alert that somebody typed."""
    for kind in ALERT_KINDS:
        if words.strip().lower() == kind:
            return cast(Kind, kind)
    raise AlertError(f"an alert {words!r} was asked for; the kinds are {', '.join(ALERT_KINDS)}")


def _region_names(practice: Practice) -> dict[str, str]:
    return {region.id: region.name for region in practice.settings.region}
