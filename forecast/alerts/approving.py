"""Approving: what stands in the way, who stands behind a text, and the fixed blocks of a vet.

An approval holds the hash of the exact texts, and so does the audit: an edit after it makes it
void. Where four eyes are asked for, nobody approves a text that they alone wrote.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Connection

from forecast.accounts.audit import Action, note
from forecast.alerts.catalogues import language
from forecast.alerts.desk import end_if_none_waits
from forecast.alerts.drafting import blocks_sha256, fixed_blocks
from forecast.alerts.errors import AlertError
from forecast.alerts.places import region_is_gone, zone_of
from forecast.practice import Practice
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held
from forecast.records.alert_texts import AlertText, Decision, texts_sha256
from forecast.records.alerts import BY_CLOCK, BY_COMMAND_LINE, DRAFT, Alert
from forecast.records.engine import Records
from forecast.records.identifiers import new_id


def hindrances(practice: Practice, records: Records, made: Alert) -> list[str]:
    """Return what stands in the way of an approval, whoever gives it."""
    found = []
    if made.state != DRAFT:
        found.append(f"it is {made.state}; only a draft can be approved")
    if region_is_gone(practice, made.region_id):
        found.append(f"its region {made.region_id!r} is not in practice.toml any more")
    if weeks_have_begun(practice, made):
        found.append(
            f"the weeks it speaks of have begun ({made.first_week}); throw it away, or draft anew"
        )
    rule = rules_held.rules_in_force(records)[made.region_id]
    if made.skill != "better" and rule.without_skill == "hold":
        known = "skill not yet known" if made.skill == "not known" else "skill not shown"
        found.append(
            f"{known}: the rule of {made.region_id} sends nothing until its forecasts are known "
            "to be better than past years alone; a rule may state otherwise, and no odds are "
            "told then"
        )
    lacking = [code for code, by in blocks_approved(records, made).items() if by is None]
    if lacking:
        found.append(
            f"no vet has approved the fixed blocks in {', '.join(lacking)} as they stand; a vet "
            "does so once, on the page of alerts"
        )
    return found


def weeks_have_begun(practice: Practice, made: Alert) -> bool:
    """Say whether the weeks an alert speaks of have begun where it is read."""
    return made.first_week <= practice.now.astimezone(zone_of(practice, made.region_id)).date()


def blocks_approved(records: Records, made: Alert) -> dict[str, str | None]:
    """Return who approved the fixed blocks of an alert's texts, by language; None: nobody."""
    approved = texts_held.approved_blocks(records)
    found: dict[str, str | None] = {}
    for code, text in texts_held.texts(records, made.id).items():
        who = approved.get((code, blocks_sha256(text.blocks)))
        found[code] = None if who is None else who[0]
    return found


def approve(
    practice: Practice,
    records: Records,
    alert_id: str,
    *,
    shown_sha256: str,
    n_recipients: int | None,
    by: str | None,
) -> Alert:
    """Approve the exact texts that were shown; the alert is approved once enough people have.

    Parameters
    ----------
    shown_sha256
        Hash of the texts that the person saw (`texts_sha256`).
    n_recipients
        How many households they saw it would go to; None where that was not known.

    Raises
    ------
    AlertError
        If something stands in the way, the texts are others by now, or they approved before.
    """
    made, now = held.alert(records, alert_id), practice.now
    for one in hindrances(practice, records, made):
        raise AlertError(f"alert {alert_id} was to be approved; {one}")
    decision = Decision(
        *(new_id(), alert_id, by or BY_COMMAND_LINE, now, "approved", shown_sha256),
        n_recipients=n_recipients,
    )
    subject = f"{alert_id} {shown_sha256}"
    with records.writing() as connection:
        # read here, where nobody else writes: an edit must not slip under an approval
        is_enough = _checked(connection, decision, needed=people_needed(practice))
        texts_held.add_decision(connection, decision)
        if is_enough:
            held.set_state(connection, alert_id, held.APPROVED, among=(DRAFT,), approved_at=now)
        note(connection, Action.ALERT_APPROVED, by=by, subject=subject, now=now)
    end_if_none_waits(records, now=now)
    return held.alert(records, alert_id)


def _checked(connection: Connection, decision: Decision, *, needed: int) -> bool:
    """Refuse an approval of other texts than there are, or by one who must not; say if it does."""
    alert_id, who = decision.alert_id, decision.decided_by
    texts = list(texts_held.texts_within(connection, alert_id).values())
    if texts_sha256(texts) != decision.text_sha256:
        raise AlertError(
            f"alert {alert_id} was to be approved; somebody changed its text since it was shown: "
            "read it again"
        )
    said = texts_held.decisions_within(connection, alert_id)
    approvers = {one.decided_by for one in _valid(said, texts)}
    if who in approvers:
        raise AlertError(f"alert {alert_id} was to be approved; you did so already")
    if needed > 1 and all(one.written_by == who for one in texts):
        raise AlertError(
            f"alert {alert_id} was to be approved; you wrote this text, and another person has "
            "to approve it (four eyes)"
        )
    return is_covered(texts, approvers | {who}, needed=needed)


def refuse(records: Records, alert_id: str, *, remark: str, by: str | None, now: datetime) -> None:
    """Say no to a draft's texts, with a word on why; it stays a draft until it is edited."""
    texts = texts_held.texts(records, alert_id).values()
    who = by or BY_COMMAND_LINE
    decision = Decision(
        new_id(), alert_id, who, now, "refused", texts_sha256(texts), remark=remark.strip() or None
    )
    with records.writing() as connection:
        held.set_state(connection, alert_id, DRAFT, among=(DRAFT, held.APPROVED), approved_at=None)
        texts_held.add_decision(connection, decision)
        note(connection, Action.ALERT_REFUSED, by=by, subject=alert_id, now=now)


def people_needed(practice: Practice) -> int:
    """Return how many people have to stand behind a text."""
    return 2 if practice.settings.alerts.four_eyes else 1


def is_covered(texts: Iterable[AlertText], approvers: set[str], *, needed: int) -> bool:
    """Say whether enough people stand behind each text: who wrote it and who approved it.

    Somebody must have approved; the clock, which drafts, is nobody.
    """
    behind = [approvers | ({one.written_by} - {BY_CLOCK}) for one in texts]
    return bool(approvers) and all(len(people) >= needed for people in behind)


def valid_approvals(records: Records, texts: Iterable[AlertText]) -> list[Decision]:
    """Return the approvals of exactly these texts, after which nobody refused them."""
    texts = list(texts)
    return _valid(texts_held.decisions(records, texts[0].alert_id) if texts else (), texts)


def _valid(said: Iterable[Decision], texts: Iterable[AlertText]) -> list[Decision]:
    shown, found = texts_sha256(texts), list[Decision]()
    for one in said:
        if one.text_sha256 == shown:
            found = [*found, one] if one.decision == "approved" else []
    return found


def approve_blocks(records: Records, code: str, *, by: str | None, now: datetime) -> str:
    """Keep that a vet read and approved the fixed blocks of a language; return them."""
    blocks = fixed_blocks(language(code))
    with records.writing() as connection:
        texts_held.approve_blocks(
            connection,
            language=language(code).code,
            blocks_sha256=blocks_sha256(blocks),
            by=by or BY_COMMAND_LINE,
            now=now,
        )
        note(connection, Action.ALERT_BLOCKS_APPROVED, by=by, subject=language(code).code, now=now)
    return blocks
