"""What was done for a dog and found on it: therapies, itch scores, facts."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any

import pandas as pd
from sqlalchemy import Connection, Select, Table, select

from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.frames import frame
from forecast.records.imports import visible

# An item of the practice's own that is mapped to no class yet: it may have been any.
UNMAPPED_THERAPY = "not known"
PVAS, SPOKEN, SCALE_NOT_KNOWN = tables.SCORE_SCALES


@dataclass(frozen=True)
class Fact:
    """One fact of a dog's record with its day; a fact that is not there is not known."""

    kind: str
    word: str | None
    number: float | None
    date: datetime.date


@dataclass(frozen=True)
class TherapyEvent:
    """A dose or course given, dispensed or declined."""

    dog_id: str
    therapy: str
    date: datetime.date
    until: datetime.date | None
    status: str
    reason: str
    responded: bool | None


@dataclass(frozen=True)
class PruritusScore:
    """One itch score, 0 to 10: on the line (PVAS), spoken, or of a scale not known."""

    dog_id: str
    date: datetime.date
    pvas: float
    scorer: str
    scale: str = PVAS


def therapies(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return all therapy events: dog, therapy, date, until, status, reason, responded.

    Of several rows about one dog, therapy and day, the newest counts.
    """
    found = frame(records, _of(tables.therapy_event, dog_id), days=("date", "until"))
    found = found.rename(columns={"dog_id": "dog"}).drop(columns=["id", "import_id"])
    return found.drop_duplicates(["dog", "therapy", "date"], keep="last").reset_index(drop=True)


def doses_taken(
    records: Records, therapy: str, *, after: datetime.date, before: datetime.date
) -> list[tuple[datetime.date, str]]:
    """Return day and branch of each dose given or handed out between two days, both left out.

    The branch is that of the dog's visit on the day; where it has none, the dog's own. Doses of a
    dog without either are left out.
    """
    events, seen, dog = tables.therapy_event, tables.visit, tables.dog
    given = visible(events, events.c.dog_id, events.c.date, events.c.status)
    given = given.where(events.c.therapy == therapy, *_between(events, after, before))
    visits = visible(seen, seen.c.dog_id, seen.c.date, seen.c.branch_id)
    with records.reading() as connection:
        newest = {(row.dog_id, row.date): row.status for row in connection.execute(given)}
        if not newest:
            return []
        rows = connection.execute(visits.where(*_between(seen, after, before)))
        visited = {(row.dog_id, row.date): row.branch_id for row in rows}
        homes = connection.execute(select(dog.c.id, dog.c.branch_id))
        own = {row.id: row.branch_id for row in homes}
    placed = [
        (day, visited.get((dog_id, day)) or own.get(dog_id))
        for (dog_id, day), status in newest.items()
        if status in tables.TAKEN_FROM_STOCK
    ]
    return sorted((day, branch) for day, branch in placed if branch is not None)


def _between(table: Table, after: datetime.date, before: datetime.date) -> tuple[Any, Any]:
    return table.c.date > after, table.c.date < before


def scores(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return all itch scores: dog, date, pvas, scorer, scale.

    Of several rows of a dog, day, scorer and scale the newest.
    """
    found = frame(records, _of(tables.pruritus_score, dog_id), days=("date",), numbers=("pvas",))
    found = found.rename(columns={"dog_id": "dog"}).drop(columns=["id", "import_id"])
    return found.drop_duplicates(["dog", "date", "scorer", "scale"], keep="last").reset_index(
        drop=True
    )


def facts(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return all facts: dog, kind, word, number, date; the newest of a dog, kind and day."""
    found = frame(records, _of(tables.dog_fact, dog_id), days=("date",), numbers=("number",))
    found = found.rename(columns={"dog_id": "dog"}).drop(columns=["id", "import_id"])
    return found.drop_duplicates(["dog", "kind", "date"], keep="last").reset_index(drop=True)


def fact_rows(records: Records, *, dog_id: str | None = None) -> list[tuple[Any, ...]]:
    """Return all facts as they came: dog, kind, word, number, date.

    Of several of one dog, kind and day the last counts. A large group has a million of them, of
    which a frame takes three times as long.
    """
    table = tables.dog_fact
    columns = (table.c.dog_id, table.c.kind, table.c.word, table.c.number, table.c.date)
    query = visible(table, *columns)
    query = query if dog_id is None else query.where(table.c.dog_id == dog_id)
    with records.reading() as connection:
        return [tuple(row) for row in connection.execute(query).all()]


def reactions(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return all adverse reactions: dog, therapy, date, sign, reported; the newest of a day."""
    query = _of(tables.adverse_reaction, dog_id)
    return _newest(records, query, ["dog", "therapy", "date"])


def releases(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return every class that a vet let be given again: dog, therapy, date, signed_by, reason."""
    table = tables.therapy_release
    query = select(table).order_by(table.c.id)
    query = query if dog_id is None else query.where(table.c.dog_id == dog_id)
    found = frame(records, query, days=("date",))
    return found.rename(columns={"dog_id": "dog"}).drop(columns=["id"])


def reaction_standing(
    connection: Connection, dog_id: str, therapy: str, *, on: datetime.date
) -> datetime.date | None:
    """Return the day of the last reaction of a dog to a class, or None.

    None, too, where a vet has let the class be given again on that day or later.
    """
    reaction, release = tables.adverse_reaction, tables.therapy_release
    days = visible(reaction).with_only_columns(reaction.c.date)
    of_dog = (reaction.c.dog_id == dog_id, reaction.c.therapy == therapy, reaction.c.date <= on)
    last = max(connection.scalars(days.where(*of_dog)), default=None)
    if last is None:
        return None
    let = (release.c.dog_id == dog_id, release.c.therapy == therapy)
    signed = select(release.c.id).where(*let, release.c.date >= last, release.c.date <= on)
    return last if connection.execute(signed).first() is None else None


def vaccinations(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return all vaccinations: dog, date, live, against; the newest of a day and an illness."""
    return _newest(records, _of(tables.vaccination, dog_id), ["dog", "date", "against"])


def medicines(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return all other medicines: dog, kind, date, until; the newest of a kind and a first day."""
    query = _of(tables.medicine, dog_id)
    return _newest(records, query, ["dog", "kind", "date"], days=("date", "until"))


def allergy_tests(records: Records, *, dog_id: str | None = None) -> pd.DataFrame:
    """Return all allergy tests: dog, date, allergen, result, method; the newest of each."""
    query = _of(tables.allergy_test, dog_id)
    return _newest(records, query, ["dog", "date", "allergen", "method"])


def _of(table: Table, dog_id: str | None) -> Select[Any]:
    """Select the rows of a table that count, of one dog or of all."""
    query = visible(table)
    return query if dog_id is None else query.where(table.c.dog_id == dog_id)


def _newest(
    records: Records, query: Select[Any], keys: list[str], *, days: tuple[str, ...] = ("date",)
) -> pd.DataFrame:
    found = frame(records, query, days=days)
    found = found.rename(columns={"dog_id": "dog"}).drop(columns=["id", "import_id"])
    return found.drop_duplicates(keys, keep="last").reset_index(drop=True)


def therapies_of(records: Records, dog_id: str) -> list[TherapyEvent]:
    """Return one dog's therapy events, oldest first."""
    table = tables.therapy_event
    with records.reading() as connection:
        rows = connection.execute(visible(table).where(table.c.dog_id == dog_id)).all()
    newest = {(row.therapy, row.date): row for row in rows}
    events = [
        TherapyEvent(
            row.dog_id, row.therapy, row.date, row.until, row.status, row.reason, row.responded
        )
        for row in newest.values()
    ]
    return sorted(events, key=lambda event: (event.date, event.therapy))


def scores_of(records: Records, dog_id: str) -> list[PruritusScore]:
    """Return one dog's itch scores, oldest first."""
    table = tables.pruritus_score
    with records.reading() as connection:
        rows = connection.execute(visible(table).where(table.c.dog_id == dog_id)).all()
    newest = {(row.date, row.scorer, row.scale): row for row in rows}
    found = [
        PruritusScore(row.dog_id, row.date, row.pvas, row.scorer, row.scale)
        for row in newest.values()
    ]
    return sorted(found, key=lambda score: (score.date, score.scorer))


def facts_of(
    records: Records, dog_id: str, *, until: datetime.date | None = None
) -> dict[str, Fact]:
    """Return the latest fact of each kind that was dated by a day, of one dog."""
    table = tables.dog_fact
    query = visible(table).where(table.c.dog_id == dog_id)
    if until is not None:
        query = query.where(table.c.date <= until)
    with records.reading() as connection:
        rows = connection.execute(query).all()
    in_order = sorted(rows, key=lambda row: (row.date, row.id))
    return {row.kind: Fact(row.kind, row.word, row.number, row.date) for row in in_order}


@dataclass(frozen=True)
class TrialRow:
    """A response trial as it was begun."""

    therapy: str
    begun: datetime.date


def trials_of(records: Records, dog_id: str) -> list[TrialRow]:
    """Return one dog's response trials, oldest first; one of a class and day once."""
    table = tables.response_trial
    query = select(table.c.therapy, table.c.begun).where(table.c.dog_id == dog_id).distinct()
    with records.reading() as connection:
        rows = connection.execute(query.order_by(table.c.begun, table.c.therapy)).all()
    return [TrialRow(row.therapy, row.begun) for row in rows]
