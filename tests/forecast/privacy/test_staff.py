"""Staff are people too: erased from records and rosters, given out whole, forgotten when gone."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import select

from forecast.practice import Practice
from forecast.privacy import erase_staff, forget_expired, held_on_staff, replay_erasures
from forecast.records import Records, RecordsError, tables
from forecast.records.erased import read_erased
from forecast.records.issues import IssueRow, add_issue
from forecast.records.staff import staff_ids, staff_on_record
from forecast.records.staff_plans import PLAN, add_staff_plan
from forecast.staffing.desk_import import import_staff

NAMES = ("Cyra Saltspoon", "Saltspoon")
STAFF = (
    "person,name,skills,branch,hours_a_week,from,until\n"
    "S7,Cyra Saltspoon,vet,n1,40,2020-01-01,2024-06-30\n"
    "S8,Orla Pell,desk,n1,20,2020-01-01,\n"
)
LEAVE = "person,first,last\nS7,2024-06-10,2024-06-14\n"


@pytest.fixture
def staffed(practice, records, outside) -> Records:
    """Give the records with two of staff, one with leave, and a roster that was written."""
    for name, text in (
        ("staff", STAFF),
        ("leave", "person,first,last\nS7,2024-06-10,2024-06-14\n"),
        ("shifts", "person,day,from,to\nS7,2024-05-06,8:00,16:00\n"),
    ):
        path = outside / f"{name}.csv"
        path.write_text(text, encoding="utf-8")
        import_staff(practice, records, path)
    rosters = practice.outbox_folder / "i1" / "staff"
    rosters.mkdir(parents=True)
    (rosters / "shifts-1.ics").write_text("SUMMARY:Cyra Saltspoon: vet", encoding="utf-8")
    return records


def named_in(practice: Practice) -> list[str]:
    return [
        path.name
        for path in practice.folder.rglob("*")
        if path.is_file() and b"Saltspoon" in path.read_bytes()
    ]


def every_cell(records: Records) -> str:
    with records.reading() as connection:
        return " ".join(
            str(cell)
            for table in tables.metadata.sorted_tables
            for row in connection.execute(select(table))
            for cell in row
        )


def test_an_erased_member_of_staff_is_named_nowhere_and_what_was_planned_stays(practice, staffed):
    """Terms and leave stay under the random id; the roster that named them is deleted."""
    assert "Saltspoon" in every_cell(staffed)
    assert named_in(practice)
    done = erase_staff(practice, staffed, "S7")
    assert ([path.name for path in done.deleted], done.still_named) == (["shifts-1.ics"], [])
    held = every_cell(staffed)
    assert "Saltspoon" not in held
    assert "S7" not in held
    assert named_in(practice) == []
    found = {one.reference: one for one in staff_on_record(staffed, day=date(2024, 6, 1))}
    assert found[""].shown == "erased"
    assert found[""].terms[0].hours_week == 40.0
    assert len(found[""].leave) == 1
    assert found["S8"].name == "Orla Pell"


def test_an_old_file_brings_nobody_back(practice, staffed, outside):
    """Rows of the erased are left out and said; a file of theirs alone holds nothing."""
    erase_staff(practice, staffed, "S7")
    (outside / "again.csv").write_text(STAFF + "\n", encoding="utf-8")
    report = import_staff(practice, staffed, outside / "again.csv")
    assert report.n_kept == 1
    assert any(one.check == "member of staff erased" for one in report.findings)
    with staffed.reading() as connection:
        assert set(staff_ids(connection)) == {"S8"}


def test_records_of_a_back_up_are_erased_again_at_the_next_start(practice, staffed):
    """The list of the erased outlives the records."""
    read_erased(practice).add("e1", practice.now, staff=["S7"])
    assert "Saltspoon" in every_cell(staffed)
    assert replay_erasures(practice, staffed).n_erasures == 1
    assert "Saltspoon" not in every_cell(staffed)
    assert named_in(practice) == []


def test_all_that_is_held_on_one_is_given_out(practice, staffed):
    """Of every table that knows them, and their shifts in plans that are kept."""
    with staffed.reading() as connection:
        cyra = staff_ids(connection)["S7"]
    row = IssueRow(
        *("i1", practice.now, practice.today, "issued", "m", "s", 1, "f", "h", "SNAP", None)
    )
    add_issue(staffed, row, settings_text="", summaries={})
    shifts = [{"person": cyra, "day": "2024-06-03"}, {"person": "other", "day": "2024-06-04"}]
    gone = [{"shift": {"person": cyra, "day": "2024-06-05"}, "number": 0}]
    content = json.dumps({"roster": {"shifts": shifts}, "gone": gone})
    given = {"issue_id": "i1", "made_at": practice.now, "kind": PLAN, "asked": {}, "newest": 9}
    add_staff_plan(staffed, content=content, **given)
    held = held_on_staff(practice, staffed, "S7")
    assert held["identity"][0]["name"] == "Cyra Saltspoon"
    assert held["terms"][0]["until"] == "2024-06-30"
    assert held["leave"][0]["first"] == "2024-06-10"
    assert [one["day"] for one in held["shifts worked"]] == ["2024-05-06"]
    assert [one["day"] for one in held["shifts"]] == ["2024-06-03", "2024-06-05"]
    knowing = {t.name for t in tables.metadata.sorted_tables if "staff_id" in t.c}
    assert {f"staff_{part}" for part in ("identity", "terms", "leave", "shift")} == knowing
    with pytest.raises(RecordsError, match="did you mean 'S7'"):
        held_on_staff(practice, staffed, "S77")


def test_who_left_is_forgotten_when_practice_toml_says(practice, staffed):
    """Twelve months after the last day of the contract, and nobody who is still here."""
    settings = practice.settings
    kept = settings.model_copy(
        update={"privacy": settings.privacy.model_copy(update={"staff_months": 12})}
    )
    early = replace(practice, settings=kept, now=practice.now + timedelta(days=390))
    assert forget_expired(early, staffed).n_staff == 0
    later = replace(practice, settings=kept, now=practice.now + timedelta(days=400))
    assert forget_expired(later, staffed).sentence.endswith("names of 1 who left the staff")
    with staffed.reading() as connection:
        assert set(staff_ids(connection)) == {"S8"}
