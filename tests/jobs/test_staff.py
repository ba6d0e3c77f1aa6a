"""The desk's jobs: a plan from an issue is kept and written, and follows newer issues."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, date, datetime
from types import SimpleNamespace

import pytest
from python_calamine import CalamineWorkbook

from forecast.practice import open_practice
from forecast.records.requests import ask, request
from forecast.records.runs import runs
from forecast.records.staff_plans import PLAN, WHAT_IF, StaffPlanRow, newest_staff_plan
from forecast.staffing.desk_import import import_staff
from forecast.staffing.desk_numbers import StaffingError
from forecast.staffing.kept_plan import plan_of, what_if_of
from jobs import staff_jobs
from jobs.clock import tick
from jobs.opening import open_all
from jobs.registry import JOBS, find_job
from jobs.staff import AskedOfStaff, staff, try_staffing, write_staffing

TODAY = date(2022, 3, 8)  # of the newest issue
AT = datetime(2022, 3, 8, 0, 30, tzinfo=UTC)
STAFF = (
    "person,name,skills,branch,hours_a_week\n"
    "S1,Cyra Saltspoon,vet,n1,40\nS2,Orla Pell,vet technician desk,s1,40\n"
)
ASKED = AskedOfStaff(4, 0.9)


@pytest.fixture
def at_desk(issued_days, tmp_path):
    """Give a copy of the practice on the day of its newest issue, without staff."""
    folder = shutil.copytree(issued_days, tmp_path / "desk")
    practice = open_practice(folder, now=AT)
    records, _ = open_all(practice)
    yield practice, records
    records.close()


def come_in(practice, records, tmp_path):
    file = tmp_path / "staff.csv"
    file.write_text(STAFF, encoding="utf-8")
    import_staff(practice, records, file)


def test_a_plan_that_is_due_asks_for_what_the_newest_was_asked(monkeypatch):
    """What a page asked this time counts; without any plan the usual weeks and level do."""
    held = StaffPlanRow("p", "i", AT, PLAN, {"weeks": 8, "service": None, "keep_agreed": True}, "")
    for newest, arguments, expected in (
        (held, {}, AskedOfStaff(8, None, keep_agreed=True)),
        (held, {"weeks": 3, "service": 0.8}, AskedOfStaff(3, 0.8)),
        (None, {}, AskedOfStaff(16, 0.9)),
    ):
        monkeypatch.setattr(staff_jobs, "newest_staff_plan", lambda _, newest=newest: newest)
        task = SimpleNamespace(arguments=arguments, records=None)
        assert staff_jobs._asked_of_staff(task) == expected


@pytest.mark.long
def test_a_plan_is_kept_written_for_people_and_follows_newer_issues(at_desk, tmp_path):
    """Files with names are their owner's alone; ledger and kept plan know random ids."""
    practice, records = at_desk
    given = {"asked": ASKED, "today": TODAY, "say": lambda _: None}
    with pytest.raises(StaffingError, match="nobody is on the staff list"):
        staff(practice, records, **given)
    come_in(practice, records, tmp_path)
    behind = find_job("staff").has_work
    assert not behind(practice, records)  # nobody asked for a plan yet
    done = staff(practice, records, **given)
    row = newest_staff_plan(records)
    assert row == done.row
    assert plan_of(row.content) == done.plan
    mondays = ["2022-03-14", "2022-03-21", "2022-03-28", "2022-04-04"]
    assert [one.isoformat() for one in done.plan.weeks] == mondays
    assert "Saltspoon" not in row.content
    files = write_staffing(practice, done)
    assert {path.stat().st_mode & 0o777 for path in files} == {0o600}
    assert "North One" in CalamineWorkbook.from_path(files[0]).sheet_names
    assert any("Saltspoon" in path.read_text() for path in files if path.suffix == ".ics")
    assert all("Saltspoon" not in (run.result or "") for run in runs(records))
    assert not behind(practice, records)
    with records.writing() as connection:
        connection.exec_driver_sql("UPDATE staff_plan SET issue_id = (SELECT min(id) FROM issue)")
    older = newest_staff_plan(records).issue_id != done.plan.issue_id
    tomorrow = replace(practice, now=datetime(2022, 3, 9, 0, 30, tzinfo=UTC))
    assert behind(tomorrow, records) is older
    assert not behind(practice, records)  # once a day at most
    tried = try_staffing(
        practice,
        records,
        fields={"what": "person", "role": "vet", "branch": "n1", "hours": "16"},
        **given,
    )
    assert what_if_of(newest_staff_plan(records, kind=WHAT_IF).content) == tried
    assert tried.turned_away[1] <= tried.turned_away[0] + 1e-9


@pytest.mark.long
def test_the_clock_does_what_a_page_asked(at_desk, tmp_path):
    """A plan by its words; what it cannot be told is refused in a sentence."""
    practice, records = at_desk
    come_in(practice, records, tmp_path)
    never = [replace(job, applies=lambda practice: False) for job in JOBS]
    asked = [
        ask(records, kind, arguments, asked_by="a1", asked_at=AT)
        for kind, arguments in (
            ("staff", {"weeks": 2, "service": None}),
            ("staff", {"weeks": 99}),
            ("try staffing", {"change": {"what": "storm"}}),
            ("staff", {"days": 3}),
        )
    ]
    for _ in asked:
        tick(practice.folder, AT, jobs=never)
    ended = [request(records, one.id) for one in asked]
    assert [one.state for one in ended] == ["done", "failed", "failed", "refused"]
    assert newest_staff_plan(records, kind=PLAN).asked == {
        "weeks": 2,
        "service": None,
        "keep_agreed": False,
    }
