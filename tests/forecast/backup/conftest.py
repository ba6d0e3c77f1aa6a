"""A practice with two owners, weather and an issued file, on SQLite and on PostgreSQL."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import select

from forecast.backup import Backup, make_backup
from forecast.climate import ClimateStore, open_climate
from forecast.climate.variables import variables
from forecast.practice import Practice, create_practice, template
from forecast.records import Records, open_records, tables
from forecast.visits import import_branches, import_dogs, import_visits

NOW = datetime(2024, 5, 31, 12, tzinfo=UTC)
LAYOUT = """
name = "front desk"
day_order = "year month day"
[columns]
visit = "Invoice"
date = "Date"
branch = "Site"
patient = "Patient no"
patient_name = "Patient"
client = "Client no"
client_name = "Client"
item = "Item"
note = "Notes"
"""
FILES = {
    "branches": "id,name,region,open_days\nn1,North,seoul,mon\n",
    "dogs": (
        "dog,name,owner,owner_number,owner_contact,species,status,consent\n"
        "P1,Rex Thunderpaw,Ada Quillfeather,K1,ada@forepaw.invalid,dog,active,yes\n"
        "P2,Mo Thunderpaw,Ada Quillfeather,K1,ada@forepaw.invalid,dog,active,\n"
        "P3,Pip,Bo Puddlewright,K3,,dog,active,\n"
    ),
    "visits": (
        "Invoice;Date;Site;Patient no;Patient;Client no;Client;Item;Notes\n"
        "R1;2024-05-06;n1;P1;Rex Thunderpaw;K1;Ada Quillfeather;CONS;itchy, says Quillfeather\n"
        "R2;2024-05-07;n1;P2;Mo Thunderpaw;K1;Ada Quillfeather;CONS;fine\n"
        "R3;2024-05-08;n1;P3;Pip;K3;Bo Puddlewright;CONS;vaccination\n"
    ),
}
IMPORTERS = {"branches": import_branches, "dogs": import_dogs, "visits": import_visits}
# What may stand nowhere once the first owner is erased.
ERASED_WORDS = ("Quillfeather", "Thunderpaw", "ada@forepaw.invalid")


@pytest.fixture
def practice(tmp_path, database) -> Practice:
    made = create_practice(tmp_path / "practice", template() + database, now=NOW)
    (made.layouts_folder / "front_desk.toml").write_text(LAYOUT, encoding="utf-8")
    return made


def fill(practice: Practice, outside: Path) -> None:
    """Bring its exports in."""
    opened = open_records(practice)
    for kind, text in FILES.items():
        path = outside / f"{kind}.csv"
        path.write_text(text, encoding="utf-8")
        IMPORTERS[kind](practice, opened, path)
    opened.close()


@pytest.fixture
def records(practice, tmp_path, database, made_once) -> Iterator[Records]:
    if database:  # on a server there is no file to copy
        fill(practice, tmp_path)
    else:
        exports = (tmp_path / f"{kind}.csv" for kind in FILES)
        paths = (practice.records_file, practice.archive_folder, *exports)
        made_once("backup", lambda: fill(practice, tmp_path), paths=paths)
    opened = open_records(practice)
    yield opened
    opened.close()


@pytest.fixture
def append(make_weather) -> Callable[[ClimateStore, str, str], str]:
    """Give a function that commits weather from one day to another."""

    def commit(climate: ClimateStore, first: str, last: str) -> str:
        weather = make_weather(first=first, last=last, regions=("seoul",))
        for name, variable in variables().items():
            weather[name].attrs = dict(variable.attributes)
        return climate.append_weather(
            weather,
            source="stations",
            licence="open",
            credit="An observatory",
            retrieved_at=NOW,
        )

    return commit


@pytest.fixture
def climate(practice, append, made_once) -> ClimateStore:
    def fill() -> None:
        opened = open_climate(practice)
        opened.tag("first", append(opened, "2024-01-01", "2024-01-31"))

    made_once("climate of back-ups", fill, paths=(practice.climate_folder,))
    return open_climate(practice)


@pytest.fixture
def back_up(practice, records, climate) -> Callable[..., Backup]:
    """Give a function that makes a back-up of that practice."""

    def make(**options: object) -> Backup:
        return make_backup(practice, records, climate, **options)  # type: ignore[arg-type]

    return make


def every_row(records: Records) -> dict[str, list[tuple]]:
    """Return all that stands in the records, by table."""
    with records.reading() as connection:
        return {
            table.name: [
                tuple(row)
                for row in connection.execute(select(table).order_by(*table.primary_key.columns))
            ]
            for table in tables.metadata.sorted_tables
        }


@pytest.fixture(name="every_row")
def row_reader() -> Callable[[Records], dict[str, list[tuple]]]:
    return every_row


def named_in(folder: Path) -> dict[str, list[str]]:
    """Return the files below a folder that hold one of the words, packed ones unpacked."""
    found = {}
    for path in folder.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            content += gzip.decompress(content) if path.suffix == ".gz" else b""
            held = [word for word in ERASED_WORDS if word.encode() in content]
            found |= {path.relative_to(folder).as_posix(): held} if held else {}
    return found


@pytest.fixture(name="named_in")
def word_finder() -> Callable[[Path], dict[str, list[str]]]:
    return named_in
