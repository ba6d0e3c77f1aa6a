"""Alerts as the records keep them: what each is about, and the states it goes through.

Who delivers an alert reads `alert` and `texts`, calls `begin_sending` before the first message is
handed over and `end_sending` after the last.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final, Literal

from sqlalchemy import Connection, and_, select, update

from forecast.records import tables
from forecast.records.alert_texts import AlertText
from forecast.records.also import Also, nothing_more
from forecast.records.engine import Records, RecordsError
from models.weeks import DAYS_IN_WEEK

Kind = Literal["season near", "peak near", "season over", "sudden high week"]
State = Literal["draft", "approved", "sending", "sent", "withdrawn", "discarded"]
Skill = Literal["better", "not shown", "not known"]
DRAFT: Final = "draft"
APPROVED: Final = "approved"
SENDING: Final = "sending"
SENT: Final = "sent"
WITHDRAWN: Final = "withdrawn"
DISCARDED: Final = "discarded"
BY_CLOCK, BY_COMMAND_LINE = "clock", "command line"
_JUST_AFTER = timedelta(microseconds=1)


@dataclass(frozen=True)
class Alert:
    """One alert; `facts` are the plain values that its texts were written from.

    `first_week` and `last_week` are the Mondays of the weeks it speaks of. `odds` and `usual_odds`
    are those it was drafted from, for whoever decides; `told_odds` is what leaves the house.
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

    @property
    def weeks(self) -> tuple[date, ...]:
        """The Mondays of the weeks it speaks of."""
        n_weeks = (self.last_week - self.first_week).days // DAYS_IN_WEEK + 1
        return tuple(self.first_week + timedelta(weeks=i) for i in range(n_weeks))

    @property
    def last_day(self) -> date:
        """The Sunday of the last week it speaks of."""
        return self.last_week + timedelta(days=DAYS_IN_WEEK - 1)

    @property
    def told_odds(self) -> tuple[float | None, float | None]:
        """Odds and usual odds for owners and partners: none from forecasts without skill."""
        return (self.odds, self.usual_odds) if self.skill == "better" else (None, None)


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


def cited_issues(records: Records) -> set[str]:
    """Return the ids of the issues that an alert rests on which was not thrown away."""
    table = tables.alert
    with records.reading() as connection:
        query = select(table.c.issue_id).where(table.c.state != DISCARDED)
        return set(connection.scalars(query.distinct()))


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


def sent_moments(records: Records, *, before: datetime) -> list[tuple[str, datetime]]:
    """Return region and moment of every alert that began to go out before a moment."""
    table = tables.alert
    went = and_(table.c.sent_at.is_not(None), table.c.sent_at < before)
    query = select(table.c.region_id, table.c.sent_at).where(went).order_by(table.c.sent_at)
    with records.reading() as connection:
        return [(row.region_id, row.sent_at) for row in connection.execute(query)]
