"""One alert: the text as owners read it, who would get it, what hinders it, and the decision."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass

from forecast.accounts.roles import Right
from forecast.alerts import approving
from forecast.alerts.cautions import cautions
from forecast.alerts.desk import stays_in
from forecast.alerts.outlook import skill_of, weeks_ahead
from forecast.alerts.places import region_is_gone, region_name
from forecast.alerts.record import record_of_alerts
from forecast.alerts.sending import preview_list
from forecast.alerts.unsubscribing import opt_outs_of
from forecast.issuing import Issue
from forecast.pages.alerts import (
    PATH,
    OutcomeRow,
    by_whom,
    is_theirs,
    local,
    outcome_rows,
    theirs,
    who_is,
)
from forecast.pages.issue_reading import held as held_values
from forecast.pages.issue_reading import issue_named, latest
from forecast.pages.page import Asked, NotFoundError, Page, View
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held
from forecast.records.alert_texts import AlertText, texts_sha256
from forecast.records.alerts import Alert
from forecast.records.engine import RecordsError
from forecast.wording import day, days, odds
from models.errors import ForepawError

_HELD_FOR = 60  # seconds


@dataclass(frozen=True)
class TextShown:
    """One text as it stands; `paragraphs` are those of an owner's message, a list in a list.

    `stays` are the cautions that whoever edits it must leave in.
    """

    language: str
    number: int
    subject: str
    body: str
    paragraphs: tuple[tuple[str, ...], ...]
    blocks: tuple[tuple[str, ...], ...]
    stays: tuple[str, ...]


@dataclass(frozen=True)
class WeekRow:
    """One week it speaks of: odds when it was drafted, by the newest forecast, and usually."""

    week: str
    now: str
    usual: str


@dataclass(frozen=True)
class StepRow:
    """One thing that was done with it."""

    at: str
    by: str
    what: str


@dataclass(frozen=True)
class RecipientsShown:
    """Whom an alert would be written to as things stand, and why others are left out."""

    n_written_to: int
    left_out: tuple[tuple[str, int], ...]

    @property
    def sentence(self) -> str:
        """How many would get it."""
        households = "1 household" if self.n_written_to == 1 else f"{self.n_written_to} households"
        return (
            f"As things stand now {households} would get it, one message each. Whether they may "
            "be written to is looked at again when it goes out."
        )


@dataclass(frozen=True)
class AlertPage:
    """What the page of one alert says.

    Attributes
    ----------
    sha256
        Of the texts as they are shown, which an approval names.
    behind, needed
        Who stands behind the texts so far, and how many people have to.
    lacks_blocks
        Whether a vet has yet to approve the fixed blocks as they stand.
    hindrances
        What stands in the way of an approval, whoever gives it.
    cautions
        What whoever decides has to know besides.
    """

    id: str
    region: str
    region_id: str
    is_gone: bool
    kind: str
    state: str
    answer: str
    issue_id: str
    drafted: str
    texts: tuple[TextShown, ...]
    sha256: str
    behind: tuple[str, ...]
    needed: int
    lacks_blocks: bool
    hindrances: tuple[str, ...]
    is_own: bool
    decision_odds: str
    skill: str
    weeks: tuple[WeekRow, ...]
    newer_issue: str
    cautions: tuple[str, ...]
    record: str
    before: tuple[OutcomeRow, ...]
    simulated: str
    steps: tuple[StepRow, ...]
    is_open: bool
    recipients: RecipientsShown | None
    n_opted_out: int
    may_send: bool
    wrong: str = ""
    typed: dict[str, str] | None = None


def asked_alert(asked: Asked) -> Alert:
    """Return the alert that the address names, if its region is theirs."""
    try:
        made = held.alert(asked.records, asked.path["alert"])
    except RecordsError as refused:
        raise NotFoundError(str(refused)) from None
    if not is_theirs(asked, made):
        raise NotFoundError("there is no such alert of your regions")
    return made


def _show(asked: Asked) -> View:
    page = alert_page(asked, asked_alert(asked))
    weeks = [asdict(row) for row in page.weeks]
    return View("alert.html", page, {"weeks": weeks, "steps": [asdict(s) for s in page.steps]})


def alert_page(asked: Asked, made: Alert) -> AlertPage:
    """Return what the page of an alert says."""
    places, who, name = theirs(asked), who_is(asked), region_name(asked.practice, made)
    texts = list(texts_held.texts(asked.records, made.id).values())
    practice, records = asked.practice, asked.records
    approvers = {one.decided_by for one in approving.valid_approvals(records, texts)}
    behind = approvers | ({text.written_by for text in texts} - {held.BY_CLOCK})
    is_open = made.state in (held.DRAFT, held.APPROVED)
    hindrances = approving.hindrances(practice, records, made) if made.state == held.DRAFT else []
    before = record_of_alerts(practice, records, region_ids=frozenset(places), kind=made.kind)
    rule = rules_held.rule(records, made.rule_id)
    weeks, newer = _weeks(asked, made)
    return AlertPage(
        id=made.id,
        region=name,
        region_id=made.region_id,
        is_gone=region_is_gone(practice, made.region_id),
        kind=made.kind,
        state=made.state,
        answer=_answer(made, name, len(behind), approving.people_needed(practice)),
        issue_id=made.issue_id,
        drafted=f"{local(asked, made.made_at)} by {who.get(made.made_by, 'somebody')}",
        texts=tuple(_text(made, text) for text in texts),
        sha256=texts_sha256(texts),
        behind=tuple(sorted(who.get(one, "somebody") for one in behind)),
        needed=approving.people_needed(practice),
        lacks_blocks=None in approving.blocks_approved(records, made).values(),
        hindrances=tuple(f"{one[:1].upper()}{one[1:]}." for one in hindrances),
        is_own=by_whom(asked) in approvers
        or (len(texts) > 0 and all(t.written_by == by_whom(asked) for t in texts)),
        decision_odds="not known" if made.odds is None else odds(made.odds),
        skill=skill_of(practice, records)[1].sentence,
        weeks=weeks,
        newer_issue=newer,
        cautions=shown_cautions(asked, made),
        record=before.sentence,
        before=outcome_rows(before, places),
        simulated=str((rule.simulation or {}).get("own", "")),
        steps=tuple(_steps(asked, made, who)),
        is_open=is_open,
        recipients=_recipients(asked, made) if is_open else None,
        n_opted_out=opt_outs_of(records, made.id),
        may_send=asked.account is not None and asked.account.may(Right.SEND_ALERTS),
    )


def _recipients(asked: Asked, made: Alert) -> RecipientsShown:
    """Read who would get it, at most once in some minutes: of very many owners it takes seconds."""
    practice = asked.practice
    bucket = int(practice.now.timestamp() // _HELD_FOR)
    found = held_values.value(
        ("recipients", practice.folder, made.id, bucket),
        lambda: preview_list(practice, asked.records, made),
    )
    left_out = tuple((why.value, n) for why, n in found.left_out.items())
    return RecipientsShown(found.n_written_to, left_out)


def shown_cautions(asked: Asked, made: Alert) -> tuple[str, ...]:
    """Return what whoever decides has to know, from the forecasts as pages hold them."""
    practice, records = asked.practice, asked.records
    drafted_from = _if_readable(lambda: issue_named(practice, records, made.issue_id))
    newest = _if_readable(lambda: latest(practice, records))
    return tuple(cautions(practice, records, made, drafted_from=drafted_from, newest=newest))


def _if_readable(read: Callable[[], Issue | None]) -> Issue | None:
    """Return an issue; a file that is gone must not hide the page that an alert is withdrawn on."""
    try:
        return read()
    except ForepawError:
        return None


def _answer(made: Alert, name: str, n_behind: int, needed: int) -> str:
    when = days(made.first_week, made.last_day)
    head = f"{name}, {made.kind}: {when}"
    if made.state == held.DRAFT:
        if needed == 1:
            return f"{head}; it waits for an approval"
        who = "another person has" if n_behind else "two people have"
        return f"{head}; {who} to approve it"
    words = {
        held.APPROVED: "approved, and not sent yet",
        held.SENDING: "being sent",
        held.SENT: "sent",
        held.WITHDRAWN: "withdrawn",
        held.DISCARDED: "thrown away",
    }
    return f"{head}; {words[made.state]}"


def _text(made: Alert, text: AlertText) -> TextShown:
    return TextShown(
        text.language,
        text.number,
        text.subject,
        text.body,
        _paragraphs(text.body),
        _paragraphs(text.blocks),
        tuple(stays_in(made, text.language)),
    )


def _paragraphs(text: str) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(part.splitlines()) for part in text.split("\n\n") if part.strip())


def _weeks(asked: Asked, made: Alert) -> tuple[tuple[WeekRow, ...], str]:
    """Return the weeks it speaks of by the newest forecast, and that one's id if it is newer."""
    issue = _if_readable(lambda: latest(asked.practice, asked.records))
    if issue is None:
        return (), ""
    known = {one.week: one for one in weeks_ahead(issue.forecast, made.region_id)}
    rows = []
    for week in made.weeks:
        one = known.get(week)
        now = "not known" if one is None or one.odds is None else odds(one.odds)
        usual = "not known" if one is None or one.usual is None else odds(one.usual)
        rows.append(WeekRow(f"week of {day(week)}", now, usual))
    return tuple(rows), issue.id if issue.id != made.issue_id else ""


def _steps(asked: Asked, made: Alert, who: dict[str, str]) -> list[StepRow]:
    found = [
        (text.written_at, text.written_by, f"text in {text.language}, version {text.number}")
        for text in texts_held.text_history(asked.records, made.id)
    ]
    for one in texts_held.decisions(asked.records, made.id):
        what = f"{one.decision} the text {one.text_sha256[:12]}"
        if one.n_recipients is not None:
            what += f", for {one.n_recipients} households"
        found.append(
            (one.decided_at, one.decided_by, what + (f": {one.remark}" if one.remark else ""))
        )
    if made.withdrawn_at is not None:
        why = f"withdrawn: {made.withdrawn_why}"
        found.append((made.withdrawn_at, made.withdrawn_by or "", why))
    found.sort(key=lambda step: step[0])
    return [StepRow(local(asked, at), who.get(by, "somebody"), what) for at, by, what in found]


PAGES = (Page(f"{PATH}/{{alert}}", "alert", Right.PREPARE_ALERTS, _show, has_data=True),)
