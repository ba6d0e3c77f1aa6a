"""The recall list: whom to call, who is left out, and files that run nothing."""

from __future__ import annotations

import csv
import io
import zipfile
from dataclasses import replace
from datetime import timedelta

from planned_dog import DOSES, NOW, add_dog, sign
from python_calamine import CalamineWorkbook
from ready_dog import ready_dog

from forecast.dosing.due import Due, DueDog
from forecast.letters.recall import COLUMNS, Call, recall_csv, recall_list, recall_workbook
from forecast.records.plans import plan_of

EVIL = '=HYPERLINK("http://elsewhere.example","press")'


def due(dog_id, number, what, *, name="Rex", why="why"):
    return DueDog(
        id=dog_id,
        reference=number,
        name=name,
        branch="n1",
        status="active",
        is_atopic=True,
        due=what,
        why=why,
        verdict="ready",
        score=None,
        scored=None,
        last_dose=None,
        not_before=None,
    )


def test_whom_to_call_comes_by_what_presses_and_who_may_not_be_called_is_told_apart(
    practice, records
):
    """A signed dose counts within the days asked for; a vet's decision is no call of the desk."""
    add_dog(records, "mo", number="D2", name="Mo", consent="not known")
    add_dog(records, "pip", number="D3", name="Pip", consent="no")
    add_dog(records, "sue", number="D4", name="Sue")
    add_dog(records, "ash", number="D5", name="Ash")
    sign(records, plan_of(records, "p1"), dog=ready_dog(), at=NOW)
    dogs = [
        due("rex", "D1", Due.NOTHING),
        due("mo", "D2", Due.SEE_NOW),
        due("pip", "D3", Due.WORK_UP),
        due("sue", "D4", Due.SEE_NOW),
        due("ash", "D5", Due.VET),
    ]
    found = recall_list(practice, records, dogs, within=26)
    assert [(one.number, one.what) for one in found.rows] == [
        ("D4", Call.NOW),
        ("D1", Call.VISIT),
    ]
    assert found.rows[1].by == DOSES[0]
    assert [(one.number, one.closed_because[:12]) for one in found.left_out] == [
        ("D2", "whether the "),
        ("D3", "the owner do"),
    ]
    nearer = recall_list(practice, records, dogs, within=25)
    assert [one.number for one in nearer.rows] == ["D4"], "26 days to 27 March"


def test_what_came_to_speak_against_a_signed_dose_is_the_vets_first(practice, records):
    """A reaction since the signing; what is merely lacking is looked at on the day."""
    sign(records, plan_of(records, "p1"), dog=ready_dog(), at=NOW)
    reacted = due("rex", "D1", Due.NOTHING, why="an adverse reaction was recorded")
    told = {
        verdict: recall_list(practice, records, [replace(reacted, verdict=verdict)], within=26)
        for verdict in ("not suitable", "vet must decide", "work-up first", "ready")
    }
    asked = "book a time if there is none; but ask the vet first: an adverse reaction was recorded"
    assert [one.rows[0].why.endswith(asked) for one in told.values()] == [True, True, False, False]


def test_a_signed_day_without_a_dose_on_record_is_called_for(practice, records):
    """For four weeks, unless a dose of the fortnight before it or later is on record."""
    sign(records, plan_of(records, "p1"), dog=ready_dog(), at=NOW)

    def called(days, last_dose=None):
        today = replace(practice, now=NOW + (DOSES[0] + timedelta(days=days) - NOW.date()))
        dog = replace(due("rex", "D1", Due.WORK_UP), last_dose=last_dose)
        return [(one.what, one.by) for one in recall_list(today, records, [dog], within=0).rows]

    assert called(0) == [(Call.VISIT, DOSES[0])]
    assert called(1) == [(Call.MISSED, DOSES[0])]
    assert called(28) == [(Call.MISSED, DOSES[0])]
    assert called(29) == [(Call.WORK_UP, None)]
    for early in (0, 14):
        assert called(1, DOSES[0] - timedelta(days=early)) == [(Call.WORK_UP, None)]
    assert called(1, DOSES[0] - timedelta(days=15)) == [(Call.MISSED, DOSES[0])]


def test_no_cell_of_a_file_is_run(practice, records):
    """A name that begins like a formula is text in both; so are an owner and a contact."""
    add_dog(records, "evil", number="D6", name=EVIL)
    rows = recall_list(
        practice, records, [due("evil", "D6", Due.SEE_NOW, name=EVIL)], within=0
    ).rows
    contacts = {"evil-owner": ("@SUM(A1)", "+82 2 000")}
    (cells,) = csv.DictReader(io.StringIO(recall_csv(rows, contacts)))
    assert list(cells) == list(COLUMNS)
    assert (cells["name"], cells["owner"], cells["contact"]) == (
        f"'{EVIL}",
        "'@SUM(A1)",
        "'+82 2 000",
    )
    book = recall_workbook(rows, contacts)
    heading, row = (
        CalamineWorkbook.from_filelike(io.BytesIO(book)).get_sheet_by_index(0).to_python()
    )
    assert heading == list(COLUMNS)
    assert row[:5] == ["D6", EVIL, "@SUM(A1)", "+82 2 000", "not known"]
    told = recall_workbook([replace(rows[0], by=DOSES[0])], contacts)
    sheet = CalamineWorkbook.from_filelike(io.BytesIO(told)).get_sheet_by_index(0).to_python()
    assert sheet[1][COLUMNS.index("by")] == DOSES[0], "a day, by which a table can be sorted"
    with zipfile.ZipFile(io.BytesIO(book)) as packed:
        sheet = packed.read("xl/worksheets/sheet1.xml")
    assert b"<f>" not in sheet
    assert b"hyperlink" not in sheet


def test_an_empty_list_is_a_file_with_headings(practice, records):
    assert recall_csv([], {}).splitlines() == [",".join(COLUMNS)]
    assert recall_workbook([], {})[:2] == b"PK"
