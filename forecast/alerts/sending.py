"""What there is to send: which alerts go out, on which way, to whom it is day.

A person lets an approved alert go (`send_off`); from then on its list is drawn and its messages are
handed over by the job, a message at a time, until none waits. Who withdraws it stops what still
waits and lets a withdrawal go to those who got it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import cast
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from forecast.accounts.audit import Action, note
from forecast.alerts.deciding import budget_since
from forecast.alerts.folder import left_mails, take_back
from forecast.alerts.lists import drawn_lists, keep_list, keep_withdrawal_list
from forecast.alerts.message_counts import has_due, n_waiting
from forecast.alerts.outbox import ALERT, FOLDER, MAIL, WEBHOOK, WITHDRAWAL, leave_out_withdrawn
from forecast.alerts.places import region_is_gone, zone_of
from forecast.alerts.recipients import (
    RecipientList,
    RecipientRegister,
    already_told,
    list_of,
    read_recipients,
)
from forecast.practice import Practice
from forecast.records.alert_rules import rule
from forecast.records.alerts import (
    SENDING,
    SENT,
    WITHDRAWN,
    Alert,
    alert,
    alerts,
    begin_sending,
    end_sending,
    withdraw,
)
from forecast.records.engine import Records
from models.errors import ForepawError
from models.parameters import ParameterTable, load_table
from models.weeks import DAYS_IN_WEEK


class SendingError(ForepawError):
    """An alert cannot go out as things stand."""


@dataclass(frozen=True)
class DeliveryRules:
    """How messages are handed over; see `delivery.toml`.

    Attributes
    ----------
    waits
        After so many attempts a message waits that long; after the last it is given up.
    in_a_row
        So many messages that found no server, with none taken between, end a run.
    refused_in_a_row
        So many that were refused end it too: then it is the sender that is not liked.
    pause
        Between two messages [s].
    """

    waits: tuple[timedelta, ...]
    in_a_row: int
    refused_in_a_row: int
    pause: float
    answer: float
    whole: float
    messages: int
    one_run: float


def delivery_rules(practice: Practice) -> DeliveryRules:
    """Return the rules of a practice."""
    numbers, mail = table(), practice.settings.alerts.mail
    waits = cast("list[float]", numbers["retry.waits"].value)
    own = None if mail is None else mail.most_per_minute
    per_minute = own or numbers.number("rate.most_per_minute")
    return DeliveryRules(
        tuple(timedelta(minutes=wait) for wait in waits),
        int(numbers.number("retry.in_a_row")),
        int(numbers.number("retry.refused_in_a_row")),
        60.0 / per_minute,
        numbers.number("session.answer"),
        numbers.number("session.whole"),
        int(numbers.number("session.messages")),
        numbers.number("session.one_run"),
    )


def way_to_owners(practice: Practice) -> str:
    """Return how owners are reached: by mail where a server is named, else the folder outbox.

    An invented practice writes to nobody, whatever its settings name.
    """
    settings = practice.settings
    return FOLDER if settings.alerts.mail is None or settings.practice.invented else MAIL


# ------------------------------------------------------------------------------ by a person
def send_off(practice: Practice, records: Records, alert_id: str, *, by: str | None) -> Alert:
    """Let an approved alert go; the job draws its list and hands its messages over.

    Raises
    ------
    SendingError
        If the practice cannot write to owners as its settings stand.
    RecordsError
        If it is not approved.
    """
    settings = practice.settings
    if way_to_owners(practice) == MAIL and not (settings.pages.public_address or "").startswith(
        "https://"
    ):
        raise SendingError(
            "alerts were to go out by mail, and [pages] of practice.toml names no public_address "
            "that begins with https://; without one nobody could unsubscribe by a click, so add it"
        )
    held = alert(records, alert_id)
    if region_is_gone(practice, held.region_id):
        raise SendingError(
            f"alert {alert_id} was to go out; its region {held.region_id!r} is not in "
            "practice.toml any more: put it back, or throw the alert away"
        )
    if is_too_late(held, practice.now, zone_of(practice, held.region_id)):
        raise SendingError(
            f"alert {alert_id} speaks of the week of {held.first_week}, which is over; draft "
            "another"
        )
    now = practice.now

    def noted(connection: Connection) -> None:
        note(connection, Action.ALERT_SENT, by=by, subject=alert_id, now=now)

    begin_sending(records, alert_id, now=now, also=noted)
    return alert(records, alert_id)


def withdraw_alert(
    practice: Practice, records: Records, alert_id: str, *, why: str, by: str | None
) -> Alert:
    """Withdraw an alert: what waits is left out, and those who got it are told by the job.

    Its mails that still stand in the folder outbox are taken away.
    """
    if not why.strip():
        raise SendingError("an alert was to be withdrawn without a reason; say why, for the record")
    who, now = by or "command line", practice.now

    def stopped(connection: Connection) -> None:
        leave_out_withdrawn(connection, alert_id, now=now)
        note(connection, Action.ALERT_WITHDRAWN, by=by, subject=alert_id, now=now)

    withdraw(records, alert_id, by=who, why=why.strip(), now=now, also=stopped)
    with suppress(OSError):  # the job tries again, and says what hinders it
        take_back(practice, records)
    return alert(records, alert_id)


def preview_list(practice: Practice, records: Records, one: Alert) -> RecipientList:
    """Return who would get an alert as things stand now; nothing is written down."""
    return preview_lists(practice, records, [one])[0]


def preview_lists(
    practice: Practice, records: Records, wanted: Iterable[Alert]
) -> list[RecipientList]:
    """Return the same for several alerts, with all owners read once."""
    register = read_recipients(practice, records)
    return [_list_of(practice, records, one, register) for one in wanted]


# ------------------------------------------------------------------------------ by the job
def draw_lists(practice: Practice, records: Records) -> list[str]:
    """Draw the lists that are to be drawn; return the ids of their alerts.

    All owners are read once for all alerts. To be called by whoever alone may hand over.
    """
    drawn, register, done = drawn_lists(records), None, []
    for one in alerts(records, states=(SENDING, WITHDRAWN)):
        is_partner = practice.settings.alerts.webhook is not None
        is_listed = (one.id, ALERT) in drawn  # one withdrawn before its list was drawn reached none
        if one.state == SENDING and not is_listed:
            register = register or read_recipients(practice, records)
            keep_list(
                records,
                one,
                _list_of(practice, records, one, register),
                way=way_to_owners(practice),
                partner=is_partner,
                now=practice.now,
            )
            done.append(one.id)
        elif one.state == WITHDRAWN and (one.id, WITHDRAWAL) not in drawn and is_listed:
            keep_withdrawal_list(records, one.id, now=practice.now)
            done.append(one.id)
    return done


def _list_of(
    practice: Practice, records: Records, one: Alert, register: RecipientRegister
) -> RecipientList:
    held = rule(records, one.rule_id)
    told = already_told(
        records,
        kind=one.kind,
        alert_id=one.id,
        year_from=_midnight(practice, budget_since(practice.today)),
        lately_from=practice.now - timedelta(days=held.gap),
    )
    return list_of(register, one.region_id, budget=held.budget, told=told)


def _midnight(practice: Practice, day: date) -> datetime:
    return datetime.combine(day, time(), practice.time_zone)


def has_messages(practice: Practice, records: Records) -> bool:
    """Say whether there is anything to do for the job now.

    A list to draw, a message to send, or mails of a withdrawn alert to take out of the folder.
    """
    drawn = drawn_lists(records)
    for one in alerts(records, states=(SENDING, WITHDRAWN)):
        news = ALERT if one.state == SENDING else WITHDRAWAL
        has_list = (one.id, ALERT) in drawn
        if (one.id, news) not in drawn and (news == ALERT or has_list):
            return True
    return bool(left_mails(practice, records)) or has_due(
        records,
        regions=waking_regions(practice, practice.now),
        ways=ways_of(practice),
        now=practice.now,
    )


def end_sent(records: Records) -> list[str]:
    """Mark the alerts of which nothing waits any more as sent; return their ids."""
    drawn, done = drawn_lists(records), []
    for one in alerts(records, states=(SENDING,)):
        if (one.id, ALERT) in drawn and n_waiting(records, one.id) == 0:
            end_sending(records, one.id)
            done.append(one.id)
    return done


# ------------------------------------------------------------------------------ when
def waking_regions(practice: Practice, now: datetime) -> list[str]:
    """Return the regions in which it is not quiet now, by their own time."""
    section, numbers = practice.settings.alerts, table()
    begins = time.fromisoformat(section.quiet_from or str(numbers["quiet.begins"].value))
    ends = time.fromisoformat(section.quiet_until or str(numbers["quiet.ends"].value))
    return [
        region.id
        for region in practice.settings.region
        if not _is_within(now.astimezone(ZoneInfo(region.time_zone)).time(), begins, ends)
    ]


def _is_within(moment: time, begins: time, ends: time) -> bool:
    if begins <= ends:
        return begins <= moment < ends
    return moment >= begins or moment < ends


def overdue_alerts(practice: Practice, records: Records, now: datetime) -> set[str]:
    """Return the alerts whose first week is over where they are about.

    Also of those that were sent: what was refused or in doubt may be tried again long after.
    """
    return {
        one.id
        for one in alerts(records, states=(SENDING, SENT))
        if is_too_late(one, now, zone_of(practice, one.region_id))
    }


def is_too_late(one: Alert, now: datetime, zone: ZoneInfo) -> bool:
    """Say whether the first week that an alert speaks of is over."""
    return now.astimezone(zone).date() >= one.first_week + timedelta(days=DAYS_IN_WEEK)


@cache
def table() -> ParameterTable:
    """Return the numbers of delivery."""
    return load_table("forecast.alerts", "delivery.toml")


def ways_of(practice: Practice) -> Sequence[str]:
    """Return the ways that can be gone as the settings stand, that of a single message first."""
    section = practice.settings.alerts
    return [*([WEBHOOK] if section.webhook else []), FOLDER, *([MAIL] if section.mail else [])]
