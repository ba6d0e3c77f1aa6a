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
    DOG_STATUSES,
    HOMES,
    OWNER_STATUSES,
    Said,
    keep_consents,
    keep_said,
)
from forecast.records.tables import SEXES

_NEUTERED = {"neutered": True, "entire": False}  # anything else, and nothing, is not known
_Row = Mapping[str, Any]


def keep_rows(
    connection: Connection, rows: Sequence[_Row], *, finder: HomeFinder, today: datetime.date
) -> None:
    """Bring dogs and owners up to date from rows as `read_dogs` returns them."""
    named = {owner_key(row): row for row in rows if owner_key(row)}
    owner_ids = dog_records.keep_owners(
        connection, {key: (row["owner"], row["owner_contact"]) for key, row in named.items()}
    )
    dog_ids = dog_records.keep_dogs(
        connection,
        {row["dog"]: (row["name"], _values(row, owner_ids.get(owner_key(row)))) for row in rows},
    )
    statuses = {
        dog_ids[row["dog"]]: Said((row["status"],), _day(row["status_from"]))
        for row in rows
        if row["status"]
    }
    keep_said(connection, DOG_STATUSES, statuses, today=today)
    homes = {dog_ids[row["dog"]]: (_home(row, finder), _day(row["home_from"])) for row in rows}
    told = {
        dog: Said((home.place, home.region), since)
        for dog, (home, since) in homes.items()
        if home != NOT_KNOWN
    }
    keep_said(connection, HOMES, told, today=today)
    owners = {owner_ids[key]: row for key, row in named.items()}
    keep_said(
        connection,
        OWNER_STATUSES,
        {owner: Said((r["owner_status"],)) for owner, r in owners.items() if r["owner_status"]},
        today=today,
    )
    answers = {owner: row["consent"] for owner, row in owners.items() if row["consent"]}
    keep_consents(connection, answers, day=today)


def owner_key(row: _Row) -> str:
    """Return what tells an owner from another; empty where no owner is given."""
    if row["owner_number"] or not row["owner"]:
        return str(row["owner_number"])
    return f"{row['owner']} | {row['owner_contact']}"


def _home(row: _Row, finder: HomeFinder) -> Home:
    """Return the region that a row names, or the one its postcode lies in."""
    return Home("region", row["region"]) if row["region"] else finder.of_postcode(row["postcode"])


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
