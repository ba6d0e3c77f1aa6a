"""What was done for a dog and found on it: therapies, itch scores, facts."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import pandas as pd
from sqlalchemy import Table, select

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


def therapies(records: Records) -> pd.DataFrame:
    """Return all therapy events: dog, therapy, date, until, status, reason, responded.

    Of several rows about one dog, therapy and day, the newest counts.
    """
    found = frame(records, visible(tables.therapy_event), days=("date", "until"))
    found = found.rename(columns={"dog_id": "dog"}).drop(columns=["id", "import_id"])
    return found.drop_duplicates(["dog", "therapy", "date"], keep="last").reset_index(drop=True)


def scores(records: Records) -> pd.DataFrame:
    """Return all itch scores: dog, date, pvas, scorer, scale.

    Of several rows of a dog, day, scorer and scale the newest.
    """
    found = frame(records, visible(tables.pruritus_score), days=("date",), numbers=("pvas",))
    found = found.rename(columns={"dog_id": "dog"}).drop(columns=["id", "import_id"])
    return found.drop_duplicates(["dog", "date", "scorer", "scale"], keep="last").reset_index(
        drop=True
    )


def facts(records: Records) -> pd.DataFrame:
    """Return all facts: dog, kind, word, number, date; the newest of a dog, kind and day."""
    found = frame(records, visible(tables.dog_fact), days=("date",), numbers=("number",))
    found = found.rename(columns={"dog_id": "dog"}).drop(columns=["id", "import_id"])
    return found.drop_duplicates(["dog", "kind", "date"], keep="last").reset_index(drop=True)


def reactions(records: Records) -> pd.DataFrame:
    """Return all adverse reactions: dog, therapy, date, sign, reported; the newest of a day."""
    return _newest(records, tables.adverse_reaction, ["dog", "therapy", "date"])


def releases(records: Records) -> pd.DataFrame:
    """Return every class that a vet let be given again: dog, therapy, date, signed_by, reason."""
    table = tables.therapy_release
    found = frame(records, select(table).order_by(table.c.id), days=("date",))
    return found.rename(columns={"dog_id": "dog"}).drop(columns=["id"])


def vaccinations(records: Records) -> pd.DataFrame:
    """Return all vaccinations: dog, date, live, against; the newest of a day and an illness."""
    return _newest(records, tables.vaccination, ["dog", "date", "against"])


def medicines(records: Records) -> pd.DataFrame:
    """Return all other medicines: dog, kind, date, until; the newest of a kind and a first day."""
    return _newest(records, tables.medicine, ["dog", "kind", "date"], days=("date", "until"))


def allergy_tests(records: Records) -> pd.DataFrame:
    """Return all allergy tests: dog, date, allergen, result, method; the newest of each."""
    return _newest(records, tables.allergy_test, ["dog", "date", "allergen", "method"])


def _newest(
    records: Records, table: Table, keys: list[str], *, days: tuple[str, ...] = ("date",)
) -> pd.DataFrame:
    found = frame(records, visible(table), days=days)
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
