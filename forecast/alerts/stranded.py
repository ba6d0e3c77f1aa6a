"""Messages that wait and cannot go: practice.toml has their region, or their way out, no more.

Nothing tells the time of day of such a region, and nothing carries a message on a way that is gone.
They are listed, with why, until practice.toml has it again or a person leaves them out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, func, or_, select, update

from forecast.accounts.audit import Action, note
from forecast.alerts.household import LeftOut
from forecast.alerts.outbox import ALERT, FOLDER, LEFT_OUT, MAIL, WAITING, WEBHOOK
from forecast.alerts.places import region_is_gone
from forecast.alerts.sending import SendingError, ways_of
from forecast.practice import Practice
from forecast.records import tables
from forecast.records.alerts import alert
from forecast.records.engine import Records
from forecast.records.notices import end_notice, raise_notice

_ABOUT = "alert messages without a way"
_WAYS = {MAIL: "[alerts.mail]", WEBHOOK: "[alerts.webhook]", FOLDER: "the folder outbox"}
_message = tables.alert_message


@dataclass(frozen=True)
class Stranded:
    """Messages of one alert that wait and cannot go, and why, in words for whoever decides."""

    alert_id: str
    news: str
    region_id: str
    way: str
    n: int
    why: str

    @property
    def sentence(self) -> str:
        """What waits, and what can be done."""
        many = "1 message waits" if self.n == 1 else f"{self.n} messages wait"
        of = "alert" if self.news == ALERT else "the withdrawal of alert"
        return f"{many} of {of} {self.alert_id} and cannot go: {self.why}"


def stranded(practice: Practice, records: Records, alert_id: str | None = None) -> list[Stranded]:
    """Return what waits and cannot go, of one alert or of all."""
    columns = (_message.c.alert_id, _message.c.news, _message.c.region_id, _message.c.way)
    query = select(*columns, func.count()).where(_cannot_go(practice)).group_by(*columns)
    if alert_id is not None:
        query = query.where(_message.c.alert_id == alert_id)
    with records.reading() as connection:
        return [
            Stranded(one, news, region_id, way, n, _why(practice, region_id, way))
            for one, news, region_id, way, n in connection.execute(query.order_by(*columns))
        ]


def leave_out_stranded(
    practice: Practice, records: Records, alert_id: str, *, by: str | None
) -> int:
    """Leave out what waits of an alert and cannot go, as a person decided; return how many.

    Raises
    ------
    SendingError
        If nothing of it waits that cannot go.
    """
    alert(records, alert_id)  # or it says that there is none
    now, n = practice.now, 0
    with records.writing() as connection:
        for why, which in _reasons(practice):
            waiting = update(_message).where(
                _message.c.alert_id == alert_id, _message.c.state == WAITING, which
            )
            values = {"state": LEFT_OUT, "why": why.value, "changed_at": now}
            values["decided_by"] = by or "command line"
            n += connection.execute(waiting.values(values)).rowcount
        if not n:
            raise SendingError(
                f"what waits of alert {alert_id} and cannot go was to be left out; there is "
                "nothing of that kind: its region and its ways out are in practice.toml"
            )
        note(connection, Action.STRANDED_LEFT_OUT, by=by, subject=alert_id, now=now)
    tell_of_stranded(practice, records, now=now)
    return n


def tell_of_stranded(practice: Practice, records: Records, *, now: datetime) -> None:
    """Raise the notice that messages wait and cannot go, or end it where none does."""
    found = stranded(practice, records)
    if not found:
        end_notice(records, _ABOUT, now=now)
        return
    n, why = sum(one.n for one in found), "; ".join(dict.fromkeys(one.why for one in found))
    many = "1 message of an alert waits" if n == 1 else f"{n} messages of alerts wait"
    ids = ", ".join(dict.fromkeys(one.alert_id for one in found))
    raise_notice(
        records,
        _ABOUT,
        f"{many} and cannot go: {why}; put it back, or leave them out on the alert's page, or by "
        f"`forepaw alert send ALERT --leave-out` (of {ids})",
        now=now,
    )


def _reasons(practice: Practice) -> Iterator[tuple[LeftOut, ColumnElement[bool]]]:
    """Yield why messages cannot go, and which."""
    known = [region.id for region in practice.settings.region]
    yield LeftOut.REGION_GONE, _message.c.region_id.not_in(known)
    yield LeftOut.WAY_GONE, _message.c.way.not_in(list(ways_of(practice)))


def _cannot_go(practice: Practice) -> ColumnElement[bool]:
    return (_message.c.state == WAITING) & or_(*(which for _, which in _reasons(practice)))


def _why(practice: Practice, region_id: str, way: str) -> str:
    if region_is_gone(practice, region_id):
        return f"practice.toml has no region {region_id!r} any more"
    return f"practice.toml has no {_WAYS[way]} any more"
