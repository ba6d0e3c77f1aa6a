"""The register of dogs: rows of a file as what the records keep of dogs and owners."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from sqlalchemy import Connection

from forecast.homes import NOT_KNOWN, Home, HomeFinder
from forecast.records import dogs as dog_records
from forecast.records.dated import (
    ALERTS,
    DOG_STATUSES,
    DOG_VETS,
    HOMES,
    MESSAGES,
    OWNER_STATUSES,
    Said,
    keep_consents,
    keep_said,
)
from forecast.records.dogs import OwnerTold
from forecast.records.tables import SEXES
from forecast.records.vets import NOBODY, keep_vets, name_key

_NEUTERED = {"neutered": True, "entire": False}  # anything else, and nothing, is not known
_OF_OWNER = (
    *("owner", "owner_contact", "owner_language", "owner_status", "consent", "consent_alerts"),
)
_Row = Mapping[str, Any]


def keep_rows(
    connection: Connection, rows: Sequence[_Row], *, finder: HomeFinder, today: datetime.date
) -> None:
    """Bring dogs and owners up to date from rows as `read_dogs` returns them."""
    named = _owners(rows)
    told = {
        key: OwnerTold(row["owner"], row["owner_contact"], row["owner_language"])
        for key, row in named.items()
    }
    owner_ids = dog_records.keep_owners(connection, told)
    dog_ids = dog_records.keep_dogs(
        connection,
        {row["dog"]: (row["name"], _values(row, owner_ids.get(owner_key(row)))) for row in rows},
    )
    _keep_dogs_said(connection, rows, dog_ids, finder, today)
    owners = {owner_ids[key]: row for key, row in named.items()}
    _keep_owners_said(connection, owners, today)


def _keep_dogs_said(
    connection: Connection,
    rows: Sequence[_Row],
    dog_ids: Mapping[str, str],
    finder: HomeFinder,
    today: datetime.date,
) -> None:
    """Add status, home and vet of each dog, where they are told and new."""
    statuses, homes, vet_of = dict[str, Said](), dict[str, Said](), dict[str, Said]()
    named = {row["vet"] for row in rows if row["vet"] and name_key(row["vet"]) != NOBODY}
    vet_ids = keep_vets(connection, sorted(named))
    for row in rows:
        dog, home = dog_ids[row["dog"]], _home(row, finder)
        if row["status"]:
            statuses[dog] = Said((row["status"],), _day(row["status_from"]))
        if home != NOT_KNOWN:
            homes[dog] = Said((home.place, home.region), _day(row["home_from"]))
        if row["vet"]:
            vet_of[dog] = Said((vet_ids.get(row["vet"]),), _day(row["vet_from"]))
    keep_said(connection, DOG_STATUSES, statuses, today=today)
    keep_said(connection, HOMES, homes, today=today)
    keep_said(connection, DOG_VETS, vet_of, today=today)


def _keep_owners_said(
    connection: Connection, owners: Mapping[str, _Row], today: datetime.date
) -> None:
    """Add status and consent of each owner, where they are told and new."""
    told = {owner: row["owner_status"] for owner, row in owners.items() if row["owner_status"]}
    said = {owner: Said((status,)) for owner, status in told.items()}
    keep_said(connection, OWNER_STATUSES, said, today=today)
    for column, what in (("consent", MESSAGES), ("consent_alerts", ALERTS)):
        answers = {owner: row[column] for owner, row in owners.items() if row[column]}
        keep_consents(connection, answers, day=today, what=what)


def _owners(rows: Sequence[_Row]) -> dict[str, dict[str, str]]:
    """Return what the rows say of each owner; of several that say something the last counts."""
    found: dict[str, dict[str, str]] = {}
    for row in rows:
        if key := owner_key(row):
            known = found.setdefault(key, dict.fromkeys(_OF_OWNER, ""))
            known |= {name: row[name] for name in _OF_OWNER if row[name]}
    return found


def owner_key(row: _Row) -> str:
    """Return what tells an owner from another; empty where no owner is given."""
    if row["owner_number"] or not row["owner"]:
        return str(row["owner_number"])
    return f"{row['owner']} | {row['owner_contact']}"


def _home(row: _Row, finder: HomeFinder) -> Home:
    """Return the region that a row names, or the one its postcode or its point lies in."""
    if row["region"]:
        return Home("region", row["region"])
    home = finder.of_postcode(row["postcode"])
    if home == NOT_KNOWN and row["latitude"] and row["longitude"]:
        return finder.of_point(float(row["latitude"]), float(row["longitude"]))
    return home


def _values(row: _Row, owner_id: str | None) -> dict[str, Any]:
    sex, _, state = row["sex"].partition(" ")
    values = {
        "owner_id": owner_id,
        "species": row["species"].lower(),
        "breed": row["breed"],
        "birth_date": _day(row["birth_date"]),
        "sex": sex if sex in SEXES else None,
        "neutered": _NEUTERED.get(state),
        "branch_id": row["branch"],
    }
    return {name: value for name, value in values.items() if value not in (None, "")}


def _day(value: Any) -> datetime.date | None:
    return None if pd.isna(value) else value.date()
