"""A practice of two regions with three branches and a few dogs, on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from forecast.practice import Practice, create_practice
from forecast.records import Records, open_records
from forecast.visits import import_branches, import_dogs

NOW = datetime(2024, 5, 31, 12, tzinfo=UTC)  # a Friday; the same day in Seoul
REGION = """
[[region]]
id = "{0}"
name = "{0}"
latitude = 37.0
longitude = 127.0
elevation = 10.0
time_zone = "Asia/Seoul"
allergens = ["birch"]
"""
SETTINGS = (
    '[practice]\nname = "Invented"\ninvented = true\n'
    + REGION.format("north")
    + REGION.format("south")
    + "[dosing]\nflare_weeks_per_dose = 0.1\n"
)
BRANCHES = """id,name,region,open_days
n1,North One,north,mon tue wed thu fri
n2,North Two,north,mon wed fri
s1,South,south,mon tue wed thu fri sat
"""
DOGS = """dog,name,owner,owner_contact,species,birth_date,sex,status,region,branch
D1,Rex,Ada Quillfeather,ada@forepaw.invalid,dog,2019-02-03,male neutered,active,north,n1
D2,Mo,Ada Quillfeather,ada@forepaw.invalid,dog,,female,active,south,s1
D3,Pip,Bo Puddlewright,,dog,,not known,active,,n2
"""


@pytest.fixture
def practice(tmp_path, database) -> Practice:
    return create_practice(tmp_path / "practice", SETTINGS + database, now=NOW)


@pytest.fixture
def empty_records(practice) -> Iterator[Records]:
    opened = open_records(practice)
    yield opened
    opened.close()


@pytest.fixture
def write(tmp_path) -> Callable[[str, str | bytes], Path]:
    """Give a function that writes an export and returns its path."""

    def write_file(name: str, content: str | bytes) -> Path:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return write_file


def fill(practice: Practice, write: Callable[[str, str | bytes], Path]) -> None:
    """Bring the branches and dogs in."""
    opened = open_records(practice)
    import_branches(practice, opened, write("branches.csv", BRANCHES))
    import_dogs(practice, opened, write("dogs.csv", DOGS))
    opened.close()


@pytest.fixture
def records(practice, database, write, made_once) -> Iterator[Records]:
    """Give records with the branches and dogs above."""
    if database:  # on a server there is no file to copy
        fill(practice, write)
    else:
        paths = (practice.records_file, practice.archive_folder)
        made_once("branches and dogs", lambda: fill(practice, write), paths=paths)
    opened = open_records(practice)
    yield opened
    opened.close()


LAYOUT = """
name = "front desk"
day_order = "year month day"
[columns]
visit = "Invoice"
date = "Date"
entered = "Entered"
branch = "Site"
patient = "Patient no"
patient_name = "Patient"
client = "Client no"
client_name = "Client"
vet = "Vet"
item = "Item"
code = "Code"
note = "Notes"
postcode = "Postcode"
[items]
"CONS DERM" = "skin consultation"
"CONS" = "consultation"
"TABS" = "daily oral Janus-kinase inhibitor"
[merged]
"P-old" = "P1"
"""
HEADINGS = (
    "Invoice;Date;Entered;Site;Patient no;Patient;Client no;Client;Vet;Item;Code;Notes;Postcode\n"
)


@pytest.fixture
def exporting(practice, records, write) -> Callable[..., Path]:
    """Keep a layout; give a function that writes an export of lines as that layout has them.

    A line is told by what it has of: invoice, day, entered, site, patient, name, client, owner,
    vet, item, code, note, postcode.
    """
    (practice.layouts_folder / "desk.toml").write_text(LAYOUT, encoding="utf-8")
    usual = {
        "invoice": "R1", "day": "2024-05-06", "entered": "", "site": "n1", "patient": "P1",
        "name": "Rex Thunderpaw", "client": "K1", "owner": "Ada Quillfeather", "vet": "AB",
        "item": "CONS", "code": "", "note": "", "postcode": "",
    }  # fmt: skip

    def export(*lines: dict[str, str], file: str = "export.csv") -> Path:
        rows = [";".join((usual | line).values()) + "\n" for line in lines]
        return write(file, HEADINGS + "".join(rows))

    return export
