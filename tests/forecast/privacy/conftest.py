"""A practice that holds all sorts of things on two owners, on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from forecast.practice import Practice, create_practice, template
from forecast.records import Records, open_records
from forecast.records.dogs import dog_ids
from forecast.records.issues import IssueRow, add_issue
from forecast.records.plan_decisions import NewDecision, PlanState, add_decision
from forecast.records.plans import PlanRow, add_plans
from forecast.visits import (
    import_branches,
    import_dogs,
    import_facts,
    import_reactions,
    import_scores,
    import_therapies,
    import_visits,
)

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
[merged]
"P-given-up" = "P1"
"""
PATIENT_LAYOUT = """
holds = "reactions"
day_order = "day month year"
[columns]
dog = "Patient no"
therapy = "Class"
date = "Day"
sign = "Sign"
[words]
injection = "anti_il31_antibody"
"""
FILES = {
    "branches": "id,name,region,open_days\nn1,North,seoul,mon\n",
    "dogs": (
        "dog,name,owner,owner_number,owner_contact,owner_language,species,status,region,consent\n"
        "P1,Rex Thunderpaw,Ada Quillfeather,K1,ada@forepaw.invalid,rm,dog,active,seoul,yes\n"
        "P2,Mo Thunderpaw,Ada Quillfeather,K1,ada@forepaw.invalid,,dog,active,,\n"
        "P3,Pip,Bo Puddlewright,K3,,,dog,active,,\n"
    ),
    "visits": (
        "Invoice;Date;Site;Patient no;Patient;Client no;Client;Item;Notes\n"
        "R1;2024-05-06;n1;P1;Rex Thunderpaw;K1;Ada Quillfeather;CONS;itchy, says Ada Quillfeather\n"
        "R2;2024-05-07;n1;P2;Mo Thunderpaw;K1;Ada Quillfeather;CONS;fine\n"
        "R3;2024-05-08;n1;P3;Pip;K3;Bo Puddlewright;CONS;vaccination\n"
        "R4;2024-02-30;n1;P1;Rex Thunderpaw;K1;Ada Quillfeather;CONS;itchy\n"
        "R5;2023-05-08;n1;P-given-up;Rex Thunderpaw;K1;Ada Quillfeather;CONS;limps since Whitsun\n"
    ),
    "therapies": (
        "dog,therapy,date,status\nP1,ciclosporin,2024-05-06,given\nP3,ciclosporin,2024-05-06,given\n"
    ),
    "facts": "dog,kind,value,date\nP1,weight_kg,9.5,2024-05-02\nP3,weight_kg,5,2024-05-02\n",
    "reactions": (
        "Patient no;Class;Day;Sign\n"
        "P1;injection;16.05.2024;itchy, says Ada Quillfeather\n"
        "P3;injection;17.05.2024;hives\n"
    ),
    "scores": "dog,date,pvas,scorer\nP1,2024-05-02,4.5,owner\nP3,2024-05-02,1,owner\n",
}
IMPORTERS = {
    "branches": import_branches,
    "dogs": import_dogs,
    "visits": import_visits,
    "therapies": import_therapies,
    "facts": import_facts,
    "reactions": import_reactions,
    "scores": import_scores,
}


@pytest.fixture(scope="session")
def files() -> dict[str, str]:
    """Give the text of each file that was imported."""
    return FILES


@pytest.fixture
def practice(tmp_path, database) -> Practice:
    made = create_practice(tmp_path / "practice", template() + database, now=NOW)
    (made.layouts_folder / "desk.toml").write_text(LAYOUT, encoding="utf-8")
    patients = made.layouts_folder / "patients"
    patients.mkdir()
    (patients / "reactions.toml").write_text(PATIENT_LAYOUT, encoding="utf-8")
    return made


@pytest.fixture
def outside(tmp_path) -> Path:
    """Give a folder outside the practice, in which its exports come."""
    folder = tmp_path / "exports"
    folder.mkdir()
    return folder


def decline_a_plan(records: Records) -> None:
    """Keep a plan of Rex that a vet declined, who wrote why in words."""
    made = IssueRow(
        *("i1", NOW, NOW.date(), "issued", "model", "sha", 1, "i1.nc", "file", "SNAP", None)
    )
    add_issue(records, made, settings_text="", summaries={})
    rex = dog_ids(records)["P1"]
    plan = PlanRow("p1", rex, "i1", "anti_il31_antibody", "proposed", None, NOW, (), (), ())
    add_plans(records, [plan])
    declined = NewDecision(
        "p1",
        PlanState.DECLINED,
        frozenset({PlanState.PROPOSED}),
        decided_on=date(2023, 5, 31),
        at=NOW,
        signed_by="vet 3",
        reason="Ada Quillfeather wants none",
    )
    add_decision(records, declined)


def fill(practice: Practice, outside: Path) -> None:
    """Bring its exports in, and decline a plan."""
    opened = open_records(practice)
    for kind, text in FILES.items():
        path = outside / f"{kind}.csv"
        path.write_text(text, encoding="utf-8")
        IMPORTERS[kind](practice, opened, path)
    decline_a_plan(opened)
    opened.close()


@pytest.fixture
def records(practice, outside, database, made_once) -> Iterator[Records]:
    if database:  # on a server there is no file to copy
        fill(practice, outside)
    else:
        paths = (practice.records_file, practice.archive_folder, outside)
        made_once("privacy", lambda: fill(practice, outside), paths=paths)
    opened = open_records(practice)
    yield opened
    opened.close()
