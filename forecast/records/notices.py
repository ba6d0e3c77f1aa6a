"""What a person must be told: once when it begins, once when it is over, on each way at most once.

A notice is *about* one thing, such as "pull nasa_power". While it goes on, the same trouble again
is no news; it only brings the sentence up to date. A delivery is written down as *sending* before
anything goes out, so that a process that dies between does not tell it twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

from sqlalchemy import Connection, and_, select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id

News = Literal["began", "over"]
DeliveryState = Literal["sending", "told", "failed", "not known"]
SENDING: Final = "sending"
TOLD: Final = "told"
FAILED: Final = "failed"
NOT_KNOWN: Final = "not known"
_ARRIVED = (TOLD, NOT_KNOWN)  # what may have arrived is not sent again


@dataclass(frozen=True)
class Notice:
    """One thing that goes wrong, or went wrong.

    `told_at` and `told_over_at` are when the first way out took the news; None: none has yet.
    """

    id: str
    about: str
    sentence: str
    since: datetime
    over_at: datetime | None = None
    told_at: datetime | None = None
    told_over_at: datetime | None = None


@dataclass(frozen=True)
class Delivery:
    """How it went to tell one of the two news of a notice on one way."""

    notice_id: str
    news: News
    channel: str
    state: DeliveryState
    n_attempts: int
    attempted_at: datetime
    error: str | None = None


@dataclass(frozen=True)
class TellingRules:
    """When news go out.

    Attributes
    ----------
    waits
        After a failed attempt the whole way out waits: `waits[n]` after n + 1 of them, the last
        one from then on.
    lasting
        Trouble counts once it has lasted so long; what passed sooner is not told at all.
    settled_after
        An end counts once it has lasted so long.
    forgotten_after
        What was over for so long before anybody could be told is not told any more.
    dead_after
        A delivery that is *sending* for so long was left by a process that died.
    """

    waits: tuple[timedelta, ...]
    lasting: timedelta
    settled_after: timedelta
    forgotten_after: timedelta
    dead_after: timedelta


@dataclass(frozen=True)
class ToTell:
    """A piece of news that waits for one way out.

    `is_whole` marks the beginning of a trouble that is over already: nothing more comes of it.
    """

    notice: Notice
    news: News
    n_attempts: int

    @property
    def is_whole(self) -> bool:
        """Whether the trouble began and ended before anybody was told."""
        return self.news == "began" and self.notice.over_at is not None


# ------------------------------------------------------------------------------ what goes wrong
def raise_notice(
    records: Records,
    about: str,
    sentence: str,
    *,
    now: datetime,
    same_within: timedelta = timedelta(0),
) -> bool:
    """Write down that something goes wrong; say whether that is new.

    What was over for less than `same_within` and is back goes on as the same notice, unless its
    end was told already: trouble that comes and goes is told once.
    """
    table = tables.notice
    with records.writing() as connection:
        last = _last(connection, about)
        if last is not None and _goes_on(last, now - same_within):
            change = update(table).where(table.c.id == last.id)
            connection.execute(change.values(sentence=sentence, over_at=None))
            return False
        notice = Notice(new_id(), about, sentence, now)
        connection.execute(table.insert().values(vars(notice)))
    return True


def _goes_on(last: Notice, over_since: datetime) -> bool:
    if last.over_at is None:
        return True
    return last.told_over_at is None and last.over_at > over_since


def end_notice(records: Records, about: str, *, now: datetime) -> bool:
    """Write down that it is over; say whether anything was going on."""
    table = tables.notice
    going_on = and_(table.c.about == about, table.c.over_at.is_(None))
    with records.reading() as connection:  # nearly always there is none: no need to write
        if connection.execute(select(table.c.id).where(going_on)).first() is None:
            return False
    with records.writing() as connection:
        return connection.execute(update(table).where(going_on).values(over_at=now)).rowcount > 0


def notices(records: Records, *, open_only: bool = False) -> list[Notice]:
    """Return the notices, oldest first; those that still go on if asked so."""
    table = tables.notice
    query = select(table).order_by(table.c.since, table.c.id)
    if open_only:
        query = query.where(table.c.over_at.is_(None))
    with records.reading() as connection:
        return [Notice(**row._mapping) for row in connection.execute(query)]


def _last(connection: Connection, about: str) -> Notice | None:
    table = tables.notice
    query = select(table).where(table.c.about == about)
    row = connection.execute(query.order_by(table.c.since.desc(), table.c.id.desc())).first()
    return None if row is None else Notice(**row._mapping)


# ------------------------------------------------------------------------------ telling
def deliveries(records: Records) -> list[Delivery]:
    """Return how every attempt to tell somebody stands, the last one first."""
    table = tables.notice_delivery
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.attempted_at.desc()))
        return [Delivery(**row._mapping) for row in rows]


def to_tell(records: Records, channel: str, *, now: datetime, rules: TellingRules) -> list[ToTell]:
    """Return the news that one way out has to tell now, oldest first."""
    with records.reading() as connection:
        return _to_tell(connection, channel, now, rules)


def claim_to_tell(
    records: Records, channel: str, *, now: datetime, rules: TellingRules
) -> list[ToTell]:
    """Take the news that one way out has to tell now: nobody else gets them.

    Each is written down as *sending*. Of one that a process left so it is *not known* whether it
    went out: it is not sent again.
    """
    if not to_tell(records, channel, now=now, rules=rules):
        return []  # nearly always there is nothing to tell: no need to write
    table = tables.notice_delivery
    with records.writing() as connection:
        left = update(table).where(
            table.c.channel == channel,
            table.c.state == SENDING,
            table.c.attempted_at <= now - rules.dead_after,
        )
        why = "its process ended while it was being sent"
        connection.execute(left.values(state=NOT_KNOWN, error=why))
        taken = _to_tell(connection, channel, now, rules)
        for one in taken:
            _write(connection, one, channel, SENDING, now, None)
    return taken


def mark_told(
    records: Records,
    taken: Sequence[ToTell],
    channel: str,
    *,
    state: DeliveryState,
    now: datetime,
    error: str | None = None,
) -> None:
    """Write down how it went to tell what was taken by `claim_to_tell`."""
    if state == SENDING:
        raise RecordsError("a delivery ends as told, failed or not known; it was to end as sending")
    notice = tables.notice
    with records.writing() as connection:
        for one in taken:
            _write(connection, one, channel, state, now, error)
            if state == FAILED:
                continue
            own = update(notice).where(notice.c.id == one.notice.id)
            if one.news == "began":
                connection.execute(own.where(notice.c.told_at.is_(None)).values(told_at=now))
            if one.news == "over" or one.is_whole:
                # unless it came back meanwhile
                ended = own.where(notice.c.told_over_at.is_(None), notice.c.over_at.is_not(None))
                connection.execute(ended.values(told_over_at=now))


def _to_tell(
    connection: Connection, channel: str, now: datetime, rules: TellingRules
) -> list[ToTell]:
    notice, delivery = tables.notice, tables.notice_delivery
    own = connection.execute(select(delivery).where(delivery.c.channel == channel))
    stand = [_left_behind(Delivery(**row._mapping), now, rules) for row in own]
    held = {(one.notice_id, one.news): one for one in stand}
    if any(_waits(one, now, rules.waits) for one in held.values()):
        return []
    rows = connection.execute(select(notice).order_by(notice.c.since, notice.c.id))
    found = []
    for one in (Notice(**row._mapping) for row in rows):
        news = _news(one, held, now, rules)
        if news is not None:
            before = held.get((one.id, news))
            found.append(ToTell(one, news, before.n_attempts if before else 0))
    return found


def _left_behind(delivery: Delivery, now: datetime, rules: TellingRules) -> Delivery:
    """Return the delivery; of one that a process left it is not known how it ended."""
    if delivery.state == SENDING and delivery.attempted_at <= now - rules.dead_after:
        return replace(delivery, state=NOT_KNOWN)
    return delivery


def _waits(delivery: Delivery, now: datetime, waits: Sequence[timedelta]) -> bool:
    if delivery.state != FAILED:
        return False
    wait = waits[min(delivery.n_attempts, len(waits)) - 1]
    return now < delivery.attempted_at + wait


def _news(
    notice: Notice,
    held: dict[tuple[str, News], Delivery],
    now: datetime,
    rules: TellingRules,
) -> News | None:
    over = notice.over_at
    if over is not None and not rules.settled_after <= now - over <= rules.forgotten_after:
        return None
    if (over or now) - notice.since < rules.lasting:
        return None
    began, ended = held.get((notice.id, "began")), held.get((notice.id, "over"))
    if began is None or began.state == FAILED:
        return "began"
    if began.state not in _ARRIVED or over is None or began.attempted_at > over:
        return None  # it is being told now, or it goes on, or it was told with its end
    return "over" if ended is None or ended.state == FAILED else None


def _write(
    connection: Connection,
    one: ToTell,
    channel: str,
    state: DeliveryState,
    now: datetime,
    error: str | None,
) -> None:
    table, n_attempts = tables.notice_delivery, one.n_attempts + 1
    values = {"state": state, "n_attempts": n_attempts, "attempted_at": now, "error": error}
    key = {"notice_id": one.notice.id, "news": one.news, "channel": channel}
    same = and_(*(table.c[name] == value for name, value in key.items()))
    if connection.execute(update(table).where(same).values(values)).rowcount == 0:
        connection.execute(table.insert().values(key | values))
