"""Alerts: what waits for a decision, the rule of each region, what was sent and what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from forecast.accounts import people
from forecast.accounts.roles import Right
from forecast.alerts.approving import approve_blocks
from forecast.alerts.catalogues import CATALOGUES
from forecast.alerts.desk import draft_by_hand, kind_of, languages_of
from forecast.alerts.drafting import blocks_sha256, fixed_blocks
from forecast.alerts.errors import AlertError
from forecast.alerts.judging import Tally
from forecast.alerts.places import region_is_gone, region_name
from forecast.alerts.record import record_of_alerts
from forecast.alerts.unsubscribing import opt_outs_of
from forecast.pages.issue_reading import latest
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.pages.requests import moment_words
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held
from forecast.records.alert_rules import AlertRule
from forecast.records.alert_tables import ALERT_KINDS
from forecast.records.alerts import BY_CLOCK, BY_COMMAND_LINE, DRAFT, Alert
from forecast.regions import Region, regions
from forecast.wording import days, odds

PATH = "/alerts"
_NOT_TAKEN = 422
_SCORES_SHOWN = (
    *("probability_of_detection", "false_alarm_ratio", "probability_of_false_detection"),
    *("frequency_bias", "critical_success_index", "equitable_threat_score"),
    *("heidke_skill_score", "peirce_skill_score"),
)


@dataclass(frozen=True)
class RegionRow:
    """One region's rule, and how the last look at it ended; "" where there is none."""

    id: str
    name: str
    rule: str
    threshold: str
    looked: str
    why: str


@dataclass(frozen=True)
class AlertRow:
    """One alert as the list shows it; `is_gone`: practice.toml has its region no more."""

    id: str
    region: str
    kind: str
    weeks: str
    state: str
    made: str
    by: str
    sent: str
    came: str
    opted_out: int
    is_gone: bool


@dataclass(frozen=True)
class BlocksRow:
    """The fixed blocks of a language, and which vet approved them as they stand."""

    language: str
    text: str
    sha256: str
    approved_by: str
    approved: str


@dataclass(frozen=True)
class AlertsPage:
    """What the page of alerts says.

    `in_use` are the languages that alerts are written in; `may_sign` whether whoever looks may
    approve the fixed blocks, as vets do. `asked` and `wrong` are region and kind of a draft that
    was asked for by hand, and why there is none.
    """

    answer: str
    regions: tuple[RegionRow, ...]
    alerts: tuple[AlertRow, ...]
    waiting: tuple[AlertRow, ...]
    record: str
    blocks: tuple[BlocksRow, ...]
    kinds: tuple[str, ...]
    may_sign: bool
    asked: tuple[str, str] = ("", "")
    wrong: str = ""

    @property
    def lacks_blocks(self) -> bool:
        """Whether a vet has yet to approve the fixed blocks of some language."""
        return any(not one.approved_by for one in self.blocks)


def theirs(asked: Asked) -> dict[str, Region]:
    """Return the regions whoever asks may see."""
    return {
        key: region
        for key, region in regions(asked.practice).items()
        if asked.regions is None or key in asked.regions
    }


def is_theirs(asked: Asked, made: Alert) -> bool:
    """Say whether whoever asks may see an alert; of a region that is gone, who sees all of them."""
    if region_is_gone(asked.practice, made.region_id):
        return asked.regions is None
    return made.region_id in theirs(asked)


def who_is(asked: Asked) -> dict[str, str]:
    """Return the names of those who may have done something, by what is written down of them."""
    assert asked.account is not None
    names = {one.id: one.name or "somebody erased" for one in people.accounts(asked.records)}
    own = {asked.account.id: "you", BY_CLOCK: "the clock", BY_COMMAND_LINE: "the command line"}
    return names | own


def _alerts(asked: Asked) -> View:
    page = _page(asked)
    tables = {
        "alerts": [asdict(row) for row in page.alerts],
        "regions": [asdict(row) for row in page.regions],
    }
    return View("alerts.html", page, tables)


def _page(asked: Asked) -> AlertsPage:
    assert asked.account is not None
    places, who = theirs(asked), who_is(asked)
    record = record_of_alerts(asked.practice, asked.records, region_ids=frozenset(places))
    came = {one.given.alert_id: one.words for one in record.outcomes}
    rows = tuple(
        _row(asked, one, who, came) for one in held.alerts(asked.records) if is_theirs(asked, one)
    )
    waiting = tuple(row for row in rows if row.state == DRAFT)
    rules = rules_held.rules_in_force(asked.records)
    return AlertsPage(
        answer=_answer(len(waiting), places, rules),
        regions=tuple(_region_rows(asked, places, rules)),
        alerts=rows,
        waiting=waiting,
        record=record.sentence,
        blocks=tuple(_blocks(asked, who)),
        kinds=ALERT_KINDS,
        may_sign=asked.account.may(Right.SIGN_PLANS),
    )


def _answer(n_waiting: int, places: dict[str, Region], rules: dict[str, AlertRule]) -> str:
    if n_waiting:
        return (
            "1 draft waits for a decision"
            if n_waiting == 1
            else f"{n_waiting} drafts wait for a decision"
        )
    on = sum(key in rules and rules[key].is_on for key in places)
    if not on:
        return "No alert is drafted: no region has a rule that is switched on"
    of = "all" if on == len(places) else f"{on} of"
    many = "the region" if len(places) == 1 else f"{of} {len(places)} regions"
    return f"No alert waits; {many} {'is' if on == 1 else 'are'} watched"


def _region_rows(
    asked: Asked, places: dict[str, Region], rules: dict[str, AlertRule]
) -> list[RegionRow]:
    looks, found = rules_held.last_looks(asked.records), []
    for key, region in places.items():
        rule, look = rules.get(key), looks.get(key)
        state = "none yet" if rule is None else "on" if rule.is_on else "off"
        threshold = "" if rule is None else f"{odds(rule.on_odds)} ({rule.on_odds:.0%})"
        looked = moment_words(asked.practice, look.looked_at) if look else ""
        why = f"{look.why[:1].upper()}{look.why[1:]}" if look else ""
        if look is None and state == "on":
            why = "None yet: the next forecast is looked at"
        found.append(RegionRow(key, region.name, state, threshold, looked, why))
    return found


def _row(
    asked: Asked,
    one: Alert,
    who: dict[str, str],
    came: dict[str, str],
) -> AlertRow:
    return AlertRow(
        one.id,
        region_name(asked.practice, one),
        one.kind,
        days(one.first_week, one.last_day),
        one.state,
        moment_words(asked.practice, one.made_at),
        who.get(one.made_by, "somebody"),
        moment_words(asked.practice, one.sent_at),
        came.get(one.id, ""),
        opt_outs_of(asked.records, one.id) if one.sent_at else 0,
        region_is_gone(asked.practice, one.region_id),
    )


def _blocks(asked: Asked, who: dict[str, str]) -> list[BlocksRow]:
    approved, found = texts_held.approved_blocks(asked.records), []
    for one in languages_of(asked.practice):
        text = fixed_blocks(one)
        sha = blocks_sha256(text)
        by, at = approved.get((one.code, sha), ("", None))
        name = who.get(by, "somebody") if by else ""
        found.append(BlocksRow(one.code, text, sha, name, moment_words(asked.practice, at)))
    return found


def _approve_blocks(asked: Asked) -> GoTo:
    code = asked.text("language")
    if code not in CATALOGUES.shipped:
        raise PageError(
            f"fixed blocks in {code!r} were to be approved; the languages are "
            f"{', '.join(CATALOGUES.shipped)}"
        )
    if asked.text("sha256") != blocks_sha256(fixed_blocks(CATALOGUES.shipped[code])):
        raise PageError("the fixed blocks are others by now; read them again")
    approve_blocks(asked.records, code, by=by_whom(asked), now=asked.practice.now)
    return GoTo(PATH, "The fixed blocks are approved as they stand.")


def _draft(asked: Asked) -> View | GoTo:
    region, kind = asked.text("region"), asked.text("kind")
    if region not in theirs(asked):
        raise NotFoundError(f"there is no region {region!r} of yours")
    issue = latest(asked.practice, asked.records)
    if issue is None:
        raise PageError("a draft was asked for; no forecast has been issued yet: make one first")
    try:
        made = draft_by_hand(
            asked.practice, asked.records, issue, region, kind=kind_of(kind), by=by_whom(asked)
        )
    except AlertError as refused:
        wrong = f"{str(refused)[:1].upper()}{str(refused)[1:]}."
        page = replace(_page(asked), asked=(region, kind), wrong=wrong)
        return View("alerts.html", page, status=_NOT_TAKEN)
    return GoTo(f"{PATH}/{made.id}", "Drafted. Nothing is sent before people approve it.")


def by_whom(asked: Asked) -> str:
    """Return the account of whoever asks."""
    assert asked.account is not None
    return asked.account.id


# ------------------------------------------------------------------------------ the record
@dataclass(frozen=True)
class OutcomeRow:
    """One alert that was sent, and what came."""

    alert_id: str
    sent: str
    region: str
    kind: str
    weeks: str
    odds: str
    came: str
    lead: str


@dataclass(frozen=True)
class RecordPage:
    """What alerts that were sent came to; a score is None where the counts do not define one.

    `simulated` is what rules would have done, by region, for each thing they were simulated on.
    """

    answer: str
    sentence: str
    rows: tuple[OutcomeRow, ...]
    hits: int
    false_alarms: int
    misses: int
    correct_negatives: int
    not_known: int
    scores: dict[str, float | None]
    has_shares: bool
    simulated: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]


def _record(asked: Asked) -> View:
    places = theirs(asked)
    found = record_of_alerts(asked.practice, asked.records, region_ids=frozenset(places))
    cells, rules = found.by_week, rules_held.rules_in_force(asked.records)
    rows = outcome_rows(found, places)
    page = RecordPage(
        _record_answer(found),
        found.sentence,
        rows,
        cells.hits,
        cells.false_alarms,
        cells.misses,
        cells.correct_negatives,
        cells.not_known,
        {name: found.scores[name] for name in _SCORES_SHOWN},
        found.detection is not None,
        _simulated(rules, places),
    )
    tables: dict[str, Sequence[dict[str, Any]]] = {
        "alerts": [asdict(row) for row in rows],
        "scores": [{"score": name, "value": value} for name, value in page.scores.items()],
    }
    return View("alert_record.html", page, tables)


def _simulated(
    rules: dict[str, AlertRule], places: dict[str, Region]
) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """Return what rules would have done, by what they were simulated on."""
    found: dict[str, list[tuple[str, str]]] = {}
    for key, region in places.items():
        if key in rules and (shown := rules[key].simulation) is not None:
            found.setdefault(str(shown["rests_on"]), []).append((region.name, str(shown["own"])))
    return tuple((rests_on, tuple(each)) for rests_on, each in found.items())


def _record_answer(found: Tally) -> str:
    judged = found.n_hits + found.n_false_alarms
    if not judged:
        return "No alert that was sent can be held against its weeks yet"
    right = "1 was right" if found.n_hits == 1 else f"{found.n_hits} were right"
    return f"Of {judged} warning{'' if judged == 1 else 's'} that can be judged, {right}"


def outcome_rows(found: Tally, places: dict[str, Region]) -> tuple[OutcomeRow, ...]:
    """Return alerts with what came of them, as tables show them."""
    rows = []
    for one in found.outcomes:
        given = one.given
        region = places[given.region_id].name if given.region_id in places else given.region_id
        rows.append(
            OutcomeRow(
                given.alert_id,
                given.day.isoformat(),
                region,
                given.kind,
                days(given.weeks[0], given.last_day),
                "" if given.odds is None else odds(given.odds),
                one.words,
                "" if one.lead_days is None else f"{one.lead_days} days",
            )
        )
    return tuple(rows)


def local(asked: Asked, moment: datetime | None) -> str:
    """Say a moment in the practice's local time."""
    return moment_words(asked.practice, moment)


_MAY = Right.PREPARE_ALERTS
PAGES = (
    Page(PATH, "alerts", _MAY, _alerts, has_data=True, menu="Alerts"),
    Page(f"{PATH}/record", "alert-record", _MAY, _record, has_data=True),
    Page(f"{PATH}/draft", "draft-alert", _MAY, _draft, methods=("POST",)),
    Page(f"{PATH}/blocks", "alert-blocks", Right.SIGN_PLANS, _approve_blocks, methods=("POST",)),
)
