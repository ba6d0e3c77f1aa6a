"""What holds from a day on: where a dog lives, who looks after it, whether it left; its owner.

A row without a day holds from the beginning, until the first dated one. Of several rows of one day
the last one to come counts. What no row tells, of a day before the first, is not known.

A register often gives no day: what it says first is taken to hold from the beginning, so that a dog
said to be dead is dead at every day one may ask for; what it says otherwise later holds from the
day on which it was brought in.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Column, Connection, Select, Table, insert, select

from forecast.homes import NOT_KNOWN, Home
from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.frames import frame
from forecast.records.imports import visible

STATUS_NOT_KNOWN, ACTIVE = "not known", "active"
# What an owner consents to: all that the practice writes, alerts, alerts on one way.
MESSAGES, ALERTS, ALERTS_BY_MAIL = "messages", "alerts", "alerts by mail"
_BEGINNING = datetime.date(1, 1, 1)
_Value = tuple[Any, ...]


@dataclass(frozen=True)
class Said:
    """What a file says of somebody: a value, and from which day on, None where it gives none."""

    value: _Value
    since: datetime.date | None = None


@dataclass(frozen=True)
class _Kind:
    """One kind of dated rows: the table, whose they are, their day, and what they say."""

    table: Table
    whose: Column[Any]
    day: Column[Any]
    value: tuple[Column[Any], ...]

    def rows(self) -> Select[Any]:
        """Select what counts, in the order in which it came."""
        columns = (self.whose, self.day, *self.value)
        if "import_id" in self.table.c:
            return visible(self.table, *columns)
        return select(*columns).order_by(self.table.c.id)


_home, _dog, _owner = tables.home, tables.dog_status, tables.owner_status
_vet, _consent = tables.dog_vet, tables.consent
HOMES = _Kind(_home, _home.c.dog_id, _home.c.from_date, (_home.c.place, _home.c.region_id))
DOG_STATUSES = _Kind(_dog, _dog.c.dog_id, _dog.c.date, (_dog.c.status,))
OWNER_STATUSES = _Kind(_owner, _owner.c.owner_id, _owner.c.date, (_owner.c.status,))
DOG_VETS = _Kind(_vet, _vet.c.dog_id, _vet.c.date, (_vet.c.vet_id,))


def homes_on(
    connection: Connection,
    day: datetime.date,
    *,
    dog_id: str | None = None,
    dog_ids: Sequence[str] | None = None,
) -> dict[str, Home]:
    """Return where each dog lives on a day; one of which nothing is known is not in it.

    All dogs unless one, or some, are asked for.
    """
    found = current(connection, HOMES, day, dog_ids if dog_id is None else [dog_id])
    return {dog: Home(place, region) for dog, (place, region) in found.items()}


def dog_statuses_on(
    connection: Connection,
    day: datetime.date,
    *,
    dog_id: str | None = None,
    dog_ids: Sequence[str] | None = None,
) -> dict[str, str]:
    """Return the status of each dog on a day; one of which nothing is known is not in it.

    All dogs unless one, or some, are asked for.
    """
    found = current(connection, DOG_STATUSES, day, dog_ids if dog_id is None else [dog_id])
    return {dog: status for dog, (status,) in found.items()}


def left_on(connection: Connection, day: datetime.date) -> dict[str, datetime.date]:
    """Return since when dogs are the practice's no longer, as of a day, where a file gave it."""
    table = tables.dog_status
    query = select(table.c.dog_id, table.c.date).where(
        table.c.day_given, table.c.status != ACTIVE, table.c.date <= day
    )
    current = dog_statuses_on(connection, day)
    rows = connection.execute(query.order_by(table.c.date, table.c.id))
    return {dog: since for dog, since in rows if current[dog] != ACTIVE}


def owner_statuses_on(
    connection: Connection, day: datetime.date, *, owner_id: str | None = None
) -> dict[str, str]:
    """Return the status of each owner on a day; one of whom nothing is known is not in it."""
    found = current(connection, OWNER_STATUSES, day, None if owner_id is None else [owner_id])
    return {owner: status for owner, (status,) in found.items()}


def consents_on(
    connection: Connection, day: datetime.date, *, what: str = MESSAGES
) -> dict[str, str]:
    """Return each owner's answer, yes or no; one who gave none is not in it."""
    query = select(_consent.c.owner_id, _consent.c.answer).where(
        _consent.c.what == what, _consent.c.date <= day
    )
    rows = connection.execute(query.order_by(_consent.c.date, _consent.c.id))
    return {owner: answer for owner, answer in rows}


def current(
    connection: Connection, kind: _Kind, day: datetime.date, only: Sequence[str] | None = None
) -> dict[str, _Value]:
    """Return what holds on a day, by whom it is about; those of whom nothing holds are left out.

    Of all, unless some are asked for.
    """
    held = _held(connection, kind, only)
    known = {whose: _newest(rows, day) for whose, rows in held.items()}
    return {whose: value for whose, value in known.items() if value is not None}


def _held(
    connection: Connection, kind: _Kind, only: Sequence[str] | None = None
) -> dict[str, list[tuple[datetime.date, _Value]]]:
    """Return what each row says by whom it is about, in the order in which it counts."""
    query = kind.rows() if only is None else kind.rows().where(kind.whose.in_(only))
    held: dict[str, list[tuple[datetime.date, _Value]]] = {}
    for whose, day, *value in connection.execute(query):
        held.setdefault(whose, []).append((day or _BEGINNING, tuple(value)))
    for rows in held.values():
        rows.sort(key=lambda row: row[0])  # a stable sort: of one day the last to come stays last
    return held


def _newest(rows: list[tuple[datetime.date, _Value]], day: datetime.date) -> _Value | None:
    return next((value for since, value in reversed(rows) if since <= day), None)


def keep_said(
    connection: Connection, kind: _Kind, said: Mapping[str, Said], *, today: datetime.date
) -> None:
    """Add what a register says of dogs or owners, where it is not held already.

    `kind` is one of those above, and a value is a tuple of its columns.
    """
    held = _held(connection, kind)
    new = []
    for whose, one in said.items():
        rows = held.get(whose, [])
        since = today if one.since is None and rows else one.since
        if _newest(rows, since or today) != one.value:
            values = {c.name: value for c, value in zip(kind.value, one.value, strict=True)}
            if "day_given" in kind.table.c:
                values["day_given"] = one.since is not None
            new.append({kind.whose.name: whose, kind.day.name: since} | values)
    if new:
        connection.execute(insert(kind.table), new)


def keep_consents(
    connection: Connection,
    answers: Mapping[str, str],
    *,
    day: datetime.date,
    what: str = MESSAGES,
) -> None:
    """Add owners' answers to whether the practice may write to them, where they are new."""
    held = consents_on(connection, day, what=what)
    new = [
        {"owner_id": owner, "what": what, "answer": answer, "date": day}
        for owner, answer in answers.items()
        if held.get(owner) != answer
    ]
    if new:
        connection.execute(insert(_consent), new)


def home_frame(records: Records) -> pd.DataFrame:
    """Return all homes: dog, date (missing: from the beginning), place, region."""
    found = frame(records, HOMES.rows(), days=("from_date",))
    return found.rename(columns={"dog_id": "dog", "from_date": "date", "region_id": "region"})


def homes_at(homes: pd.DataFrame, dogs: pd.Series, days: pd.Series) -> pd.DataFrame:
    """Return the place and region of each dog on its day, indexed like `dogs`; see `home_frame`.

    A row without a dog, or of a dog of which nothing is known then, has the place *not known*.
    """
    order = _rank(homes["date"])
    sorted_homes = homes.assign(order=order).sort_values("order", kind="stable")
    asked = pd.DataFrame({"dog": dogs.to_numpy(object), "order": _rank(days)})
    asked = asked.assign(at=np.arange(len(asked))).dropna(subset=["dog"]).sort_values("order")
    columns = ["dog", "order", "place", "region"]
    found = pd.merge_asof(
        asked.astype({"dog": "str"}),
        sorted_homes[columns].astype({"dog": "str"}),
        on="order",
        by="dog",
    )
    place = np.full(len(dogs), NOT_KNOWN.place, dtype=object)
    region = np.full(len(dogs), None, dtype=object)
    known = found["place"].notna().to_numpy()
    at = found["at"].to_numpy()[known]
    place[at] = found["place"].to_numpy(object)[known]
    region[at] = [
        r if isinstance(r, str) else None for r in found["region"].to_numpy(object)[known]
    ]
    told = {"place": place, "region": region}
    # text with gaps stays what it is: None is "not known" here, not-a-number is nothing
    return pd.DataFrame(
        {name: pd.Series(column, index=dogs.index, dtype=object) for name, column in told.items()}
    )


def _rank(days: pd.Series) -> np.ndarray:
    """Return days as numbers, the beginning before all of them."""
    number = days.to_numpy().astype("datetime64[D]").astype(np.int64)
    return np.where(days.isna().to_numpy(), np.iinfo(np.int64).min, number)


def new_homes(found: Iterable[tuple[str, datetime.date, Home]]) -> list[tuple[Any, ...]]:
    """Return the rows (dog, place, region, from which day) in which dogs are seen to have moved.

    `found` says where a dog lived on a day, each dog's days in their order.
    """
    rows, last = [], dict[str, Home]()
    for dog, day, home in found:
        if last.get(dog) != home:
            last[dog] = home
            rows.append((dog, home.place, home.region, day.isoformat()))
    return rows
