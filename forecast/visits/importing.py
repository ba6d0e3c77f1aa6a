"""Importing what a practice exports: a function a file, each idempotent on the file's content."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection

from forecast.csv_files import CsvTable
from forecast.practice import Practice
from forecast.records import Records
from forecast.records import branches as branch_records
from forecast.records import dogs as dog_records
from forecast.records.imports import Row
from forecast.records.tables import SEXES
from forecast.regions import Branch, parse_open_days
from forecast.visits import reading
from forecast.visits.landing import ImportReport, IncomingFile, keep_register, land_events

_YES_NO = {"yes": True, "no": False}  # anything else, and nothing, is not known
_NEUTERED = {"neutered": True, "entire": False}


def import_visits(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import visits. A dog that the records do not hold yet is added with nothing known of it."""
    known = branch_records.branches(records)

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_visits(file.content, file.name, branches=known, today=practice.today)

    def rows(table: CsvTable) -> list[Row]:
        kept = table.rows
        return _rows(
            reference=kept["visit"].tolist(),
            date=_days(kept["date"]),
            branch_id=kept["branch"].tolist(),
            dog_id=kept["dog"].tolist(),
            kind=kept["kind"].tolist(),
        )

    return land_events(
        practice, records, path, "visits", read=read, rows=rows, prepare=_with_dog_ids
    )


def _with_dog_ids(connection: Connection, rows: list[Row]) -> list[Row]:
    """Put random ids for the practice's numbers, together with the visits that need them.

    A dog so added always has a visit, so a sweep of dogs without any never takes it away.
    """
    numbers = {row["dog_id"] for row in rows} - {""}
    ids = dog_records.add_unregistered(connection, numbers)
    return [row | {"dog_id": ids.get(row["dog_id"])} for row in rows]


def import_therapies(
    practice: Practice,
    records: Records,
    path: Path | str,
    *,
    therapies: Collection[str] | None = None,
) -> ImportReport:
    """Import therapies of dogs on record; with `therapies`, other therapies are left out."""
    ids = dog_records.dog_ids(records)

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_therapies(
            file.content, file.name, dogs=ids, today=practice.today, therapies=therapies
        )

    def rows(table: CsvTable) -> list[Row]:
        kept = table.rows
        return _rows(
            dog_id=[ids[dog] for dog in kept["dog"].tolist()],
            therapy=kept["therapy"].tolist(),
            date=_days(kept["date"]),
            until=_days(kept["until"]),
            status=kept["status"].tolist(),
            reason=kept["reason"].tolist(),
            responded=[_YES_NO.get(word) for word in kept["responded"].tolist()],
        )

    return land_events(practice, records, path, "therapies", read=read, rows=rows)


def import_scores(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import itch scores of dogs on record."""
    ids = dog_records.dog_ids(records)

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_scores(file.content, file.name, dogs=ids, today=practice.today)

    def rows(table: CsvTable) -> list[Row]:
        kept = table.rows
        return _rows(
            dog_id=[ids[dog] for dog in kept["dog"].tolist()],
            date=_days(kept["date"]),
            pvas=kept["pvas"].tolist(),
            scorer=kept["scorer"].tolist(),
        )

    return land_events(practice, records, path, "scores", read=read, rows=rows)


def import_facts(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import facts of dogs on record."""
    ids = dog_records.dog_ids(records)

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_facts(file.content, file.name, dogs=ids, today=practice.today)

    def rows(table: CsvTable) -> list[Row]:
        kept = table.rows
        return _rows(
            dog_id=[ids[dog] for dog in kept["dog"].tolist()],
            kind=kept["kind"].tolist(),
            word=[None if pd.isna(word) else word for word in kept["word"].tolist()],
            number=[None if pd.isna(number) else number for number in kept["number"].tolist()],
            date=_days(kept["date"]),
        )

    return land_events(practice, records, path, "facts", read=read, rows=rows)


def import_branches(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import branches: new ones are added, known ones brought up to date, none removed."""
    regions = [region.id for region in practice.settings.region]

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_branches(file.content, file.name, regions=regions)

    def keep(connection: Connection, table: CsvTable) -> None:
        found = [
            Branch(row["id"], row["name"], row["region"], parse_open_days(row["open_days"]))
            for row in table.rows.to_dict("records")
        ]
        branch_records.keep_branches(connection, found)

    return keep_register(practice, records, path, "branches", read=read, keep=keep)


def import_dogs(practice: Practice, records: Records, path: Path | str) -> ImportReport:
    """Import dogs and owners: new ones are added, known ones updated; an empty cell changes none.

    The raw file is not archived: it holds names, and an owner's erasure must reach them all.
    """
    regions = [region.id for region in practice.settings.region]
    branches = branch_records.branches(records)

    def read(file: IncomingFile) -> CsvTable:
        return reading.read_dogs(
            file.content, file.name, regions=regions, branches=branches, today=practice.today
        )

    def keep(connection: Connection, table: CsvTable) -> None:
        rows = [{str(k): v for k, v in row.items()} for row in table.rows.to_dict("records")]
        owners = {_owner_key(r): (r["owner"], r["owner_contact"]) for r in rows if _owner_key(r)}
        owner_ids = dog_records.keep_owners(connection, owners)
        dog_records.keep_dogs(
            connection,
            {
                row["dog"]: (row["name"], _dog_values(row, owner_ids.get(_owner_key(row))))
                for row in rows
            },
        )

    return keep_register(practice, records, path, "dogs", read=read, keep=keep, archive=False)


def _owner_key(row: dict[str, Any]) -> str:
    """Return what tells an owner from another; empty where no owner is given."""
    if row["owner_number"] or not row["owner"]:
        return str(row["owner_number"])
    return f"{row['owner']} | {row['owner_contact']}"


def _dog_values(row: dict[str, Any], owner_id: str | None) -> dict[str, Any]:
    sex, _, state = row["sex"].partition(" ")
    birth = row["birth_date"]
    values = {
        "owner_id": owner_id,
        "species": row["species"].lower(),
        "breed": row["breed"],
        "birth_date": None if pd.isna(birth) else birth.date(),
        "sex": sex if sex in SEXES else None,
        "neutered": _NEUTERED.get(state),
        "status": row["status"],
        "home_region": row["region"],
        "branch_id": row["branch"],
    }
    return {name: value for name, value in values.items() if value not in (None, "")}


def _days(column: pd.Series) -> list[Any]:
    """Return days as dates, None where there is none."""
    return list(column.to_numpy().astype("datetime64[D]").tolist())


def _rows(**columns: Sequence[Any]) -> list[Row]:
    names = list(columns)
    return [dict(zip(names, values, strict=True)) for values in zip(*columns.values(), strict=True)]
