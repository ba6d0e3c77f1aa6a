"""Alerts as the records keep them: rules with their history, alerts, texts, decisions.

Who delivers an alert reads `alert` and `texts`, calls `begin_sending` before the first message is
handed over and `end_sending` after the last. What is sent is the text that was approved, to the
letter: `AlertText.whole`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final, Literal

from sqlalchemy import Connection, and_, func, select, update

from forecast.records import tables
from forecast.records.also import Also, nothing_more
from forecast.records.engine import Records, RecordsError

Kind = Literal["season near", "peak near", "season over", "sudden high week"]
State = Literal["draft", "approved", "sending", "sent", "withdrawn", "discarded"]
Skill = Literal["better", "not shown", "not known"]
DRAFT: Final = "draft"
APPROVED: Final = "approved"
SENDING: Final = "sending"
SENT: Final = "sent"
WITHDRAWN: Final = "withdrawn"
DISCARDED: Final = "discarded"
REFUSED: Final = "refused"
BY_CLOCK, BY_COMMAND_LINE = "clock", "command line"
_JUST_AFTER = timedelta(microseconds=1)


@dataclass(frozen=True)
class AlertRule:
    """When a region is spoken of; the newest of a region counts.

    Attributes
    ----------
    cost, loss
        What an alert costs the practice, and what a high week costs it that nobody was warned of,
        in one unit of its own; only their ratio counts.
    off_share
        Odds below which the region counts as quiet again, as a share of those above which it
        counts as high [1].
    shortest_lead, longest_lead
        Days between an alert and the Monday of the week that it is about.
    gap
        Least days between two alerts of the region.
    kinds
        What it speaks of.
    budget
        Most alerts an owner gets a year, over all kinds, regions and pets.
    without_skill
        ``hold``: without a forecast that is known to be better than climatology nothing is sent.
    simulation
        What it would have done in past seasons, as was shown before it was switched on.
    """

    id: str
    region_id: str
    made_at: datetime
    made_by: str
    is_on: bool
    cost: float
    loss: float
    off_share: float
    shortest_lead: int
    longest_lead: int
    gap: int
    kinds: tuple[str, ...]
    budget: int
    without_skill: Literal["hold", "send"]
    simulation: Mapping[str, Any] | None = None

    @property
    def on_odds(self) -> float:
        """Odds of a high week from which on an alert is worth its cost: the cost/loss ratio."""
        return self.cost / self.loss

    @property
    def off_odds(self) -> float:
        """Odds below which a region that counted as high is quiet again."""
        return self.on_odds * self.off_share


@dataclass(frozen=True)
class Alert:
    """One alert; `facts` are the plain values that its texts were written from.

    `first_week` and `last_week` are the Mondays of the weeks it speaks of. `odds` and `usual_odds`
    are None where none is told.
    """

    id: str
    region_id: str
    kind: Kind
    state: State
    rule_id: str
    issue_id: str
    made_at: datetime
    made_by: str
    first_week: date
    last_week: date
    odds: float | None
    usual_odds: float | None
    skill: Skill
    facts: Mapping[str, Any]
    approved_at: datetime | None = None
    sent_at: datetime | None = None
    withdrawn_at: datetime | None = None
    withdrawn_by: str | None = None
    withdrawn_why: str | None = None


@dataclass(frozen=True)
class AlertText:
    """One version of an alert's text in one language, without any owner's name."""

    alert_id: str
    language: str
    number: int
    subject: str
    body: str
    blocks: str
    written_at: datetime
    written_by: str

    @property
    def whole(self) -> str:
        """What an owner reads below the subject."""
        return f"{self.body.strip()}\n\n{self.blocks.strip()}\n"


@dataclass(frozen=True)
class Decision:
    """One person's yes or no to the exact texts whose hash it holds."""

    id: str
    alert_id: str
    decided_by: str
    decided_at: datetime
    decision: Literal["approved", "refused"]
    text_sha256: str
    n_recipients: int | None = None
    remark: str | None = None


@dataclass(frozen=True)
class LookedAt:
    """How the last look at a region ended, and whether it counts as high since it was spoken of."""

    region_id: str
    issue_id: str
    looked_at: datetime
    is_on: bool
    why: str


def texts_sha256(texts: Iterable[AlertText]) -> str:
    """Return the hash of texts as they are read: language, subject, body and blocks."""
    told = sorted((one.language, one.subject, one.body, one.blocks) for one in texts)
    return hashlib.sha256(json.dumps(told, ensure_ascii=True).encode()).hexdigest()


# ------------------------------------------------------------------------------ rules
def add_rule(connection: Connection, rule: AlertRule) -> None:
    """Put a rule in force from now on; earlier ones stay as history.

    One of the same moment as the one before, or of a clock set back, is put just after it.
    """
    table = tables.alert_rule
    newest = select(func.max(table.c.made_at)).where(table.c.region_id == rule.region_id)
    last = connection.scalar(newest)
    values = vars(rule) | {"kinds": list(rule.kinds)}
    if last is not None and last >= rule.made_at:
        values["made_at"] = last + _JUST_AFTER
    connection.execute(table.insert(), values)


def rule_history(records: Records, region_id: str) -> list[AlertRule]:
    """Return every rule a region has had, the newest first."""
    table = tables.alert_rule
    query = select(table).where(table.c.region_id == region_id)
    with records.reading() as connection:
        rows = connection.execute(query.order_by(table.c.made_at.desc(), table.c.id.desc()))
        return [_rule(row._mapping) for row in rows]


def rules_in_force(records: Records) -> dict[str, AlertRule]:
    """Return the newest rule of every region that has one, also where it is switched off."""
    table = tables.alert_rule
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.made_at, table.c.id))
        return {row.region_id: _rule(row._mapping) for row in rows}


def rule(records: Records, rule_id: str) -> AlertRule:
    """Return a rule by its id, in force or not."""
    table = tables.alert_rule
    with records.reading() as connection:
        row = connection.execute(select(table).where(table.c.id == rule_id)).one()
    return _rule(row._mapping)


def _rule(row: Mapping[Any, Any]) -> AlertRule:
    return AlertRule(**{**row, "kinds": tuple(row["kinds"])})


# ------------------------------------------------------------------------------ alerts and texts
def add_alert(connection: Connection, made: Alert, texts: Iterable[AlertText]) -> None:
    """Keep a drafted alert with its first texts."""
    connection.execute(tables.alert.insert(), {**vars(made), "facts": dict(made.facts)})
    connection.execute(tables.alert_text.insert(), [vars(text) for text in texts])


def alert(records: Records, alert_id: str) -> Alert:
    """Return an alert by its id."""
    with records.reading() as connection:
        row = connection.execute(
            select(tables.alert).where(tables.alert.c.id == alert_id)
        ).one_or_none()
    if row is None:
        raise RecordsError(
            f"the alert {alert_id!r} was asked for; there is none of that id; `forepaw alert show` "
            "lists those there are"
        )
    return Alert(**row._mapping)


def alerts(
    records: Records, *, region_id: str | None = None, states: Iterable[State] = ()
) -> list[Alert]:
    """Return alerts, the newest first."""
    table = tables.alert
    query = select(table).order_by(table.c.made_at.desc(), table.c.id)
    if region_id is not None:
        query = query.where(table.c.region_id == region_id)
    if wanted := tuple(states):
        query = query.where(table.c.state.in_(wanted))
    with records.reading() as connection:
        return [Alert(**row._mapping) for row in connection.execute(query)]


def add_text(connection: Connection, text: AlertText) -> None:
    """Keep a newer version of a text."""
    connection.execute(tables.alert_text.insert(), vars(text))


def text_history(records: Records, alert_id: str) -> list[AlertText]:
    """Return every version of an alert's texts, by language, the newest first."""
    with records.reading() as connection:
        return _text_history(connection, alert_id)


def _text_history(connection: Connection, alert_id: str) -> list[AlertText]:
    table = tables.alert_text
    query = select(table).where(table.c.alert_id == alert_id)
    rows = connection.execute(query.order_by(table.c.language, table.c.number.desc()))
    return [AlertText(**row._mapping) for row in rows]


def texts(records: Records, alert_id: str) -> dict[str, AlertText]:
    """Return an alert's texts as they stand, by language."""
    with records.reading() as connection:
        return texts_within(connection, alert_id)


def texts_within(connection: Connection, alert_id: str) -> dict[str, AlertText]:
    """Return the same within a transaction of the caller's."""
    newest: dict[str, AlertText] = {}
    for text in _text_history(connection, alert_id):
        newest.setdefault(text.language, text)
    return newest


def keep_look(connection: Connection, look: LookedAt) -> None:
    """Keep how a look at a region ended, in the place of the one before."""
    table = tables.alert_standing
    connection.execute(table.delete().where(table.c.region_id == look.region_id))
    connection.execute(table.insert(), vars(look))


def last_looks(records: Records) -> dict[str, LookedAt]:
    """Return how the last look at every region ended."""
    with records.reading() as connection:
        rows = connection.execute(select(tables.alert_standing))
        return {row.region_id: LookedAt(**row._mapping) for row in rows}


def cited_issues(records: Records) -> set[str]:
    """Return the ids of the issues that an alert rests on which was not thrown away."""
    table = tables.alert
    with records.reading() as connection:
        query = select(table.c.issue_id).where(table.c.state != DISCARDED)
        return set(connection.scalars(query.distinct()))


# ------------------------------------------------------------------------------ decisions, states
def add_decision(connection: Connection, one: Decision) -> None:
    """Keep a person's decision."""
    connection.execute(tables.alert_decision.insert(), vars(one))


def decisions(records: Records, alert_id: str) -> list[Decision]:
    """Return the decisions on an alert, the oldest first."""
    with records.reading() as connection:
        return decisions_within(connection, alert_id)


def decisions_within(connection: Connection, alert_id: str) -> list[Decision]:
    """Return the same within a transaction of the caller's."""
    table = tables.alert_decision
    query = select(table).where(table.c.alert_id == alert_id)
    # of one moment a no comes last, and so counts
    rows = connection.execute(query.order_by(table.c.decided_at, table.c.decision, table.c.id))
    return [Decision(**row._mapping) for row in rows]


def set_state(
    connection: Connection, alert_id: str, state: State, *, among: Iterable[State], **values: Any
) -> None:
    """Bring an alert to a state from one of some others, with what goes with it.

    Raises
    ------
    RecordsError
        If it is in none of those by now: somebody else was faster.
    """
    table, allowed = tables.alert, tuple(among)
    change = update(table).where(table.c.id == alert_id, table.c.state.in_(allowed))
    if connection.execute(change.values(state=state, **values)).rowcount != 1:
        found = connection.scalar(select(table.c.state).where(table.c.id == alert_id))
        raise RecordsError(
            f"alert {alert_id} was to become {state}; it is {found or 'not there'}, and only one "
            f"that is {' or '.join(allowed)} can"
        )


def begin_sending(
    records: Records,
    alert_id: str,
    *,
    now: datetime,
    also: Also = nothing_more,
) -> None:
    """Mark an approved alert as going out, before the first message is handed over.

    From then on the weeks after it train no forecast of pressure (`alerted_weeks`). One that is
    going out already, as after a crash, stays as it is. `also` is done in the same transaction,
    such as the line of the audit.
    """
    with records.writing() as connection:
        table = tables.alert
        state = connection.scalar(select(table.c.state).where(table.c.id == alert_id))
        if state != SENDING:
            set_state(connection, alert_id, SENDING, among=(APPROVED,), sent_at=now)
        also(connection)


def end_sending(records: Records, alert_id: str) -> None:
    """Mark an alert as sent: nothing of it waits any more."""
    with records.writing() as connection:
        set_state(connection, alert_id, SENT, among=(SENDING,))


def withdraw(
    records: Records,
    alert_id: str,
    *,
    by: str,
    why: str,
    now: datetime,
    also: Also = nothing_more,
) -> None:
    """Mark an alert as withdrawn; who got it is told so by whoever delivers.

    `also` is done in the same transaction.
    """
    among: tuple[State, ...] = (APPROVED, SENDING, SENT)
    values = {"withdrawn_at": now, "withdrawn_by": by, "withdrawn_why": why}
    with records.writing() as connection:
        set_state(connection, alert_id, WITHDRAWN, among=among, **values)
        also(connection)


def newest_sent(records: Records, region_id: str) -> Alert | None:
    """Return the alert of a region that went out last, withdrawn or not."""
    table = tables.alert
    query = select(table).where(table.c.region_id == region_id, table.c.sent_at.is_not(None))
    with records.reading() as connection:
        row = connection.execute(query.order_by(table.c.sent_at.desc()).limit(1)).first()
    return None if row is None else Alert(**row._mapping)


def sent_moments(records: Records, *, before: datetime) -> list[tuple[str, datetime]]:
    """Return region and moment of every alert that began to go out before a moment."""
    table = tables.alert
    went = and_(table.c.sent_at.is_not(None), table.c.sent_at < before)
    query = select(table.c.region_id, table.c.sent_at).where(went).order_by(table.c.sent_at)
    with records.reading() as connection:
        return [(row.region_id, row.sent_at) for row in connection.execute(query)]


# ------------------------------------------------------------------------------ the fixed blocks
def approve_blocks(
    connection: Connection, *, language: str, blocks_sha256: str, by: str, now: datetime
) -> None:
    """Keep that a vet read and approved the fixed blocks of a language; again changes nothing."""
    table = tables.alert_block_approval
    there = select(func.count()).where(
        table.c.language == language, table.c.blocks_sha256 == blocks_sha256
    )
    if not connection.scalar(there):
        values = {"language": language, "blocks_sha256": blocks_sha256}
        connection.execute(table.insert(), values | {"approved_by": by, "approved_at": now})


def approved_blocks(records: Records) -> dict[tuple[str, str], tuple[str, datetime]]:
    """Return who approved which fixed blocks when, by language and hash."""
    table = tables.alert_block_approval
    with records.reading() as connection:
        return {
            (row.language, row.blocks_sha256): (row.approved_by, row.approved_at)
            for row in connection.execute(select(table))
        }
