"""Who somebody is stands in tables of its own; logs, runs and findings name nobody."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from forecast.practice import Practice, create_practice, template
from forecast.records import Records, open_records, tables
from forecast.records.dogs import dog_ids
from forecast.records.visits import visits
from jobs.imports import import_file, read_again, undo
from models.errors import ForepawError

OWNER, CONTACT, REX, VET = "Quillfeather", "ada@forepaw.invalid", "Thunderpaw", "Nightingale"
NUMBERS = ("K-4711", "P-0815", "P-0816")
LAYOUT = """
name = "desk"
day_order = "year month day"
[columns]
visit = "Invoice"
date = "Date"
patient = "Patient no"
patient_name = "Patient"
client = "Client no"
client_name = "Client"
vet = "Vet"
item = "Item"
quantity = "Qty"
note = "Notes"
[patients]
test = ["TEST"]
"""
FILES = {
    "branches": "id,name,region,open_days\nmain,Main,seoul,mon tue wed thu fri\n",
    # a birth date, a status and a species that are none, in rows that hold names
    "dogs": (
        "dog,name,owner,owner_number,owner_contact,species,status,birth_date\n"
        f"P-0815,Rex {REX},Ada {OWNER},K-4711,{CONTACT},dog,active,2019-02-03\n"
        f"P-0816,Mo {REX},Ada {OWNER},K-4711,{CONTACT},dog,{REX},2019-02-31\n"
    ),
    # bad days, bad numbers, a stray mark, a name where a number should be
    "visits": (
        "Invoice;Date;Patient no;Patient;Client no;Client;Vet;Item;Qty;Notes\n"
        f"R1;2024-05-06;P-0815;Rex {REX};K-4711;Ada {OWNER};{VET};CONS;1;itchy\n"
        f"R2;2024-02-30;P-0815;Rex {REX};K-4711;Ada {OWNER};{VET};CONS;1;itchy, says Ada {OWNER}\n"
        f'R3;2024-05-07;P-0816;Mo {REX};K-4711;Ada "{OWNER}" ;{VET};CONS;one;fine\n'
        f"R4;2024-05-08;;{REX};;Ada {OWNER};{VET};CONS;1;fine\n"
        f"R5;2024-05-08;TEST;{REX};;Ada {OWNER};{VET};CONS;1;fine\n"
    ),
}
# Where a name may stand: the tables of identities, and what a person wrote or called a file.
IDENTITIES = {"owner", "dog_identity"}
FREE_TEXT = {("visit", "note"), ("imported_file", "file_name"), ("visit", "vet")}


@pytest.fixture
def practice(tmp_path) -> Practice:
    made = create_practice(tmp_path / "practice", template().replace('"grass"', '"grasses"'))
    (made.layouts_folder / "desk.toml").write_text(LAYOUT)
    return made


@pytest.fixture
def records(practice) -> Iterator[Records]:
    opened = open_records(practice)
    yield opened
    opened.close()


@pytest.fixture
def files(tmp_path) -> dict[str, Path]:
    """Write the files; that of the visits is called after the owner."""
    found = {}
    for kind, text in FILES.items():
        found[kind] = tmp_path / (f"{OWNER} {kind}.csv" if kind == "visits" else f"{kind}.csv")
        found[kind].write_text(text)
    return found


def cells(records: Records) -> Iterator[tuple[str, str, str]]:
    """Give every cell of every table: table, column, text."""
    with records.reading() as connection:
        for table in tables.metadata.sorted_tables:
            for row in connection.execute(select(table)).mappings():
                for name, cell in row.items():
                    yield table.name, name, str(cell)


def test_names_stand_in_tables_of_their_own_and_in_no_log_run_or_finding(
    practice, records, files, tmp_path, caplog
):
    """Imports that go well, that are refused, read again and taken back."""
    told = []
    with caplog.at_level(logging.DEBUG):
        for kind, path in files.items():
            told += import_file(practice, kind, path).findings
        told += read_again(practice, 3).findings
        broken = tmp_path / f"{OWNER}.csv"
        broken.write_text(f"{REX};{OWNER}\n{REX};{OWNER}\n")
        with pytest.raises(ForepawError):
            import_file(practice, "visits", broken)
        with pytest.raises(ForepawError):
            import_file(practice, "dogs", broken)
    assert len(told) >= 6, "the faults were found"
    names = (OWNER, CONTACT, REX, *NUMBERS)
    named = {(table, column) for table, column, text in cells(records) for n in names if n in text}
    assert {table for table, _ in named} >= IDENTITIES, "or their absence would say nothing"
    references = {("visit", "reference")}  # the practice's own number of a visit and its patient
    assert {(t, c) for t, c in named if t not in IDENTITIES} <= FREE_TEXT | references
    assert not _in_findings(practice)
    undo(practice, 4)
    logged = [" ".join(map(str, vars(record).values())) for record in caplog.records]
    assert logged
    assert not [text for text in logged for name in (*names, VET) if name in text]


def _in_findings(practice: Practice) -> list[str]:
    """Return findings as they are kept that hold a name, but for the name of the file itself."""
    kept = [p.read_text(encoding="utf-8-sig") for p in practice.archive_folder.glob("findings-*")]
    assert kept, "what was found is kept"
    texts = [text.replace(f"{OWNER} visits.csv", "") for text in kept]
    return [text for text in texts for name in (OWNER, CONTACT, REX) if name in text]


def test_ids_are_random(tmp_path, practice, records, files):
    """Sixteen letters of chance; the same files give another practice other ids."""
    other = create_practice(tmp_path / "other", template().replace('"grass"', '"grasses"'))
    (other.layouts_folder / "desk.toml").write_text(LAYOUT)
    for one in (practice, other):
        for kind, path in files.items():
            import_file(one, kind, path)
    theirs = open_records(other)
    mine, others = dog_ids(records), dog_ids(theirs)
    assert set(mine) == set(others) == {"P-0815", "P-0816"}
    ids = [*mine.values(), *others.values()]
    assert len(set(ids)) == 4
    assert all(re.fullmatch(r"[0-9a-f]{16,}", one) for one in ids)
    assert set(visits(records)["dog"].dropna()) <= set(mine.values())
    theirs.close()
