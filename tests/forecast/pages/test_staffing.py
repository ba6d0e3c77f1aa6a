"""The desk's pages: what is answered, who may see and mend what, what can be taken along."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from html_check import faults_of
from icalendar import Calendar
from plan_by_hand import plan_by_hand
from python_calamine import CalamineWorkbook
from sqlalchemy import select

from forecast.accounts.roles import Role
from forecast.pages.staffing_figures import load_figure
from forecast.records.account_tables import audit_entry
from forecast.records.issues import IssueRow, add_issue
from forecast.records.requests import requests
from forecast.records.staff import staff_on_record
from forecast.records.staff_plans import PLAN, WHAT_IF, add_staff_plan
from forecast.staffing.desk_import import enter_row
from forecast.staffing.kept_plan import as_text
from forecast.staffing.standing import Standing
from forecast.staffing.what_if import OtherHours, WhatIf

DESK = "/staffing/desk"
MADE = datetime(2023, 3, 1, 0, 30, tzinfo=UTC)
TODAY = date(2023, 3, 1)
ADA = {"person": "S1", "name": "Ada", "skills": "vet", "branch": "at-north", "hours_a_week": "40"}
BO = {"person": "S2", "name": "Bo", "skills": "desk", "branch": "at-south", "hours_a_week": "20"}


@pytest.fixture
def staffed(opened):
    """Give the ids of Ada, a vet at north, and Bo, at the desk of south."""
    practice = opened.practice()
    for row in (ADA, BO):
        enter_row(practice, opened.records, "staff", row, by="somebody")
    return {one.name: one.id for one in staff_on_record(opened.records, day=TODAY)}


@pytest.fixture
def planned(opened, staffed):
    """Give the id of a plan by hand in which Ada works, with a change that was tried."""
    row = IssueRow("i1", MADE, TODAY, "issued", "m", "s", 1, "i1.nc", "f", "SNAP", None)
    add_issue(opened.records, row, settings_text="", summaries={})
    given = {"issue_id": "i1", "made_at": MADE, "asked": {}, "newest": 10}
    plan = plan_by_hand(staff=(staffed["Ada"], staffed["Bo"]))
    tried = WhatIf(OtherHours("at-north", 1.0), "one hour more", (9, 8), (4, 3), (1, 1), 0.8)
    add_staff_plan(opened.records, kind=WHAT_IF, content=as_text(tried), **given)
    return add_staff_plan(opened.records, kind=PLAN, content=as_text(plan), **given)


@pytest.fixture
def at(browser, make_account, sit):
    """Give what makes a browser of somebody with a role."""

    def make(role, **limits):
        return browser(sit(make_account(role.value, role, **limits)))

    return make


def test_without_staff_the_page_says_what_to_do(at):
    manager = at(Role.MANAGER)
    page = manager.get("/staffing")
    assert "Nobody is on the staff list yet" in page.text
    assert 'href="/staffing/desk"' in page.text
    assert faults_of(page.text) == []


def test_the_answer_stands_first_then_odds_orders_and_costs(at, planned):
    """All numbers are those of the plan by hand; odds of even chance on lead to the branch."""
    manager = at(Role.MANAGER)
    page = manager.get("/staffing")
    assert faults_of(page.text) == []
    assert "<h1>Two weeks will probably overflow at north: the weeks of 13 Mar and 20 Mar" in (
        page.text
    )
    for part in ("3 in 4", "flea control", "9,885", "-1,205", "No vet can be there on Wednesdays"):
        assert part in page.text.replace("\u2212", "-"), part
    assert 'href="/staffing/branches/at-north?week=2023-03-13"' in page.text
    assert "on the same futures [EUR]." in page.text
    assert "How the load lies on people" in page.text
    rows = json.loads(manager.get("/staffing.json").text)["people"]
    assert [(row["who"], row["hours"], row["extra_shifts"]) for row in rows] == [
        ("Ada", 8.0, 0),
        ("Bo", 8.0, 1),
    ]
    assert "One hour more" in page.text
    told = json.loads(at(Role.VET).get("/staffing.json").text)
    assert told["costs"][0]["total"] == 9885
    assert told["may_plan"] is False
    assert told["people"] == []  # who works how much is for who plans


def test_a_branchs_page_shows_load_and_who_works(at, planned):
    """Unless a week is asked it is the likeliest to overflow; then the one that is asked."""
    manager = at(Role.MANAGER)
    page = manager.get("/staffing/branches/at-north")
    assert faults_of(page.text) == []
    assert "Who works in the week of 13 Mar" in page.text
    assert "Nobody is rostered here in that week" in page.text
    first = manager.get("/staffing/branches/at-north?week=2023-03-06").text
    for part in ("Ada", "Bo (extra)", "locum to be found", "2 people are enough"):
        assert part in first, part
    assert manager.get("/staffing/branches/at-north?week=2023-03-07").status_code == 400
    shifts = manager.get("/staffing/branches/at-north.csv?table=shifts").text.splitlines()
    assert len(shifts) == 1 + 3


def test_a_figure_says_the_chance_that_hours_do_not_do(opened):
    """Below even odds they will probably do; at 1 in 3 that is not "will do"."""
    for chances, said in (
        ((0.1, 0.35), "will probably do; the chance that they do not is 1 in 3 at most"),
        ((0.0, 0.0), "the hours will do"),
        ((0.1, 0.6), "probably too few hours in the week of 13 Mar"),
    ):
        plan = plan_by_hand(odds={"at-north": chances})
        figure = load_figure(opened.practice(), plan, "at-north", "North", "vet")
        assert figure.title.endswith(said)


def test_figures_are_those_of_the_newest_plan_alone(at, planned):
    """Drawn once and kept beside the issue's; other names and plans are not there."""
    vet = at(Role.VET)
    address = f"/staffing/branches/at-north/load/{planned}"
    drawn = vet.get(f"{address}/vet.wide.svg")
    assert drawn.status_code == 200
    assert "hours of work" in drawn.text
    for wrong in ("/vet.tall.svg", "/cat.wide.svg", "/vet"):
        assert vet.get(f"{address}{wrong}").status_code == 404
    assert vet.get("/staffing/branches/at-north/load/other/vet.wide.json").status_code == 404


def test_workbook_and_calendar_are_taken_along(at, planned):
    """The workbook has a sheet a branch; the calendar the shifts, tentative until agreed."""
    manager = at(Role.MANAGER)
    book = manager.get("/staffing/workbook")
    assert book.headers["content-disposition"] == (
        'attachment; filename="staffing-2023-03-06.xlsx"'
    )
    names = CalamineWorkbook.from_filelike(io.BytesIO(book.content)).sheet_names
    assert names == ["summary", "north", "south", "load", "orders", "people"]
    taken = manager.get("/staffing/branches/at-north/shifts/calendar")
    events = Calendar.from_ical(taken.content).walk("VEVENT")
    assert {str(one["status"]) for one in events} == {"TENTATIVE"}
    (own,) = re.findall(r'href="(/staffing/[^"]*person=[^"]*)"[^>]*Ada', manager.get(DESK).text)
    events = Calendar.from_ical(manager.get(own).content).walk("VEVENT")
    assert [str(one["summary"]) for one in events] == ["Ada: vet, north"]
    assert manager.get("/staffing/branches/at-north/shifts/calendar?person=x").status_code == 404
    assert manager.post("/staffing/agree", data={"plan": planned}).status_code == 303
    events = Calendar.from_ical(
        manager.get("/staffing/branches/at-north/shifts/calendar").content
    ).walk("VEVENT")
    assert {str(one["status"]) for one in events} == {"CONFIRMED"}
    assert "Agree to this roster" not in manager.get("/staffing").text


def test_what_was_asked_last_stands_in_the_form_also_that_costs_decide(at, opened, staffed):
    """A plan without a service level: the field is empty, and so is what a change is tried with."""
    row = IssueRow("i1", MADE, TODAY, "issued", "m", "s", 1, "i1.nc", "f", "SNAP", None)
    add_issue(opened.records, row, settings_text="", summaries={})
    plan = replace(plan_by_hand(staff=(staffed["Ada"], staffed["Bo"])), service=None)
    given = {"issue_id": "i1", "made_at": MADE, "asked": {}, "newest": 10}
    add_staff_plan(opened.records, kind=PLAN, content=as_text(plan), **given)
    page = at(Role.MANAGER).get("/staffing").text
    assert faults_of(page) == []
    sent = re.findall(r'name="service"[^>]*value="([^"]*)"', page)
    assert len(sent) == 5
    assert set(sent) == {""}


def test_an_agreed_roster_stands_when_the_clock_has_reckoned_anew(at, planned, opened, staffed):
    """The newer plan rosters nobody; pages and calendar keep the agreed shifts of those weeks."""
    manager = at(Role.MANAGER)
    assert manager.post("/staffing/agree", data={"plan": planned}).status_code == 303
    plan = plan_by_hand(staff=(staffed["Ada"], staffed["Bo"]))
    newer = replace(plan, roster=replace(plan.roster, shifts=()))
    later = MADE + timedelta(days=1)
    given = {"issue_id": "i1", "made_at": later, "asked": {}, "newest": 10}
    add_staff_plan(opened.records, kind=PLAN, content=as_text(newer), **given)
    page = manager.get("/staffing").text
    assert "the roster is a proposal; the one agreed" in page
    assert "Agree to this roster" in page
    week = manager.get("/staffing/branches/at-north?week=2023-03-06").text
    assert "Ada" in week
    assert "Agreed." in week
    taken = manager.get("/staffing/branches/at-north/shifts/calendar")
    events = Calendar.from_ical(taken.content).walk("VEVENT")
    assert [str(one["status"]) for one in events] == ["CONFIRMED"] * 3


def test_odds_of_an_agreed_roster_are_its_own_and_the_proposals_stand_beside(
    at, planned, opened, staffed
):
    """The newer plan tells 3 in 4 as proposed and 9 in 10 as agreed; agreed to, it is its own."""
    manager = at(Role.MANAGER)
    manager.post("/staffing/agree", data={"plan": planned})
    plan = plan_by_hand(staff=(staffed["Ada"], staffed["Bo"]))
    agreed = plan_by_hand(odds={"at-north": (0.1, 0.9, 0.66, 0.2), "at-south": (0, 0.1, 0.2, 0)})
    standing = Standing(plan.weeks, agreed.load, agreed.waiting, (), plan.money)
    newer = replace(plan, standing=standing, roster=replace(plan.roster, shifts=()))
    given = {"issue_id": "i1", "made_at": MADE + timedelta(days=1), "asked": {}, "newest": 10}
    newest = add_staff_plan(opened.records, kind=PLAN, content=as_text(newer), **given)
    page = manager.get("/staffing").text
    assert faults_of(page) == []
    assert "stand in all of its weeks, and odds and costs are theirs by this forecast" in page
    assert "drop 3: 2.1 branch-weeks expected to overflow instead of 2.2" in page
    assert '9 in 10</a><span class="span">3 in 4 as proposed' in page
    assert "No vet can be there" not in page  # that is the proposal's
    assert "Agree to the newest proposal" in page
    assert "Agreed weeks stand; plan the rest" in page
    branch = manager.get("/staffing/branches/at-north")
    assert faults_of(branch.text) == []
    assert "3 in 4 as proposed" in branch.text
    week = manager.get("/staffing/branches/at-north?week=2023-03-06").text
    assert "<li>Mon 6 Mar, vet: Ada would not work</li>" in week
    assert "<li>Tue 7 Mar, vet: locum to be found would not work</li>" in week
    assert manager.get(f"/staffing/branches/at-north/load/{newest}/vet.wide.svg").status_code == 200
    taken = manager.get("/staffing/branches/at-north/shifts/calendar")
    events = Calendar.from_ical(taken.content).walk("VEVENT")
    assert [str(one["status"]) for one in events] == ["CONFIRMED"] * 3
    assert manager.post("/staffing/agree", data={"plan": newest}).status_code == 303
    page = manager.get("/staffing").text
    assert "the roster is agreed" in page
    assert "as proposed" not in page
    assert manager.get(f"/staffing/branches/at-north/load/{newest}/vet.wide.svg").status_code == 404
    taken = manager.get("/staffing/branches/at-north/shifts/calendar")
    events = Calendar.from_ical(taken.content).walk("VEVENT")
    assert [str(one["status"]) for one in events] == ["CANCELLED"] * 3
    (own,) = re.findall(r'href="(/staffing/[^"]*person=[^"]*)"[^>]*Ada', manager.get(DESK).text)
    (gone,) = Calendar.from_ical(manager.get(own).content).walk("VEVENT")
    assert str(gone["status"]) == "CANCELLED"


def test_who_is_limited_to_a_branch_sees_and_mends_that_branch_alone(at, planned, opened):
    """No odds, name, order or cost of another; no price of all; no roster agreed."""
    south = at(Role.MANAGER, branches=["at-south"])
    page = south.get("/staffing").text
    for hidden in ("at-north", "Ada", "flea control", "9,885", "One hour more", "Agree to"):
        assert hidden not in page, hidden
    assert south.get("/staffing/branches/at-north").status_code == 404
    desk = south.get("/staffing/desk").text
    assert "Bo" in desk
    assert "Ada" not in desk
    assert "wage_hour" not in desk
    sheets = CalamineWorkbook.from_filelike(
        io.BytesIO(south.get("/staffing/desk/workbook").content)
    )
    assert len(sheets.get_sheet_by_name("staff").to_python()) == 2
    before = staff_on_record(opened.records, day=TODAY)
    for table, row in (
        ("staff", ADA | {"hours_a_week": "1"}),
        ("staff", ADA | {"branch": "at-south", "hours_a_week": "1"}),
        ("leave", {"person": "S1", "first": "2023-05-01", "last": "2023-05-02"}),
        ("prices", {"price": "away_shift", "amount": "1"}),
        ("minutes", {"kind": "recheck", "role": "vet", "minutes": "1"}),
        ("hours", {"branch": "at-north", "opening": "mon 8:00-9:00"}),
    ):
        sent = {f"skill-{row['skills']}": "yes"} | row if "skills" in row else row
        assert south.post(f"/staffing/desk/enter/{table}", data=sent).status_code == 422, table
    files = {"file": ("staff.csv", b"person,skills,branch,hours_a_week\nS1,vet,at-north,1\n")}
    refused = south.post("/uploads", data={"kind": "staff"}, files=files)
    assert refused.status_code == 422
    assert "a file of staff is of all branches" in refused.text.lower()
    assert staff_on_record(opened.records, day=TODAY) == before
    assert south.post("/staffing/agree", data={"plan": planned}).status_code == 400


def test_a_value_is_mended_by_a_form_and_written_down(at, staffed, opened):
    """What a form cannot keep is said, with what was typed; the audit names nobody."""
    manager = at(Role.MANAGER)
    refused = manager.post(
        "/staffing/desk/enter/staff", data=ADA | {"skill-vet": "yes", "hours_a_week": "-8"}
    )
    assert refused.status_code == 422
    assert "Hours a week: not hours of a week: &#39;-8&#39;" in refused.text
    assert 'value="-8"' in refused.text
    kept = manager.post(
        "/staffing/desk/enter/staff", data=ADA | {"skill-vet": "yes", "hours_a_week": "32"}
    )
    assert kept.status_code == 303
    ada = next(o for o in staff_on_record(opened.records, day=TODAY) if o.name == "Ada")
    assert ada.terms[0].hours_week == 32.0
    for days in (("2023-05-01", "2023-05-05"), ("2023-05-04", "2023-05-09")):
        sent = {"person": "S1", "first": days[0], "last": days[1]}
        assert manager.post("/staffing/desk/enter/leave", data=sent).status_code == 303
    ada = next(o for o in staff_on_record(opened.records, day=TODAY) if o.name == "Ada")
    assert [(one.first, one.last) for one in ada.leave] == [(date(2023, 5, 1), date(2023, 5, 9))]
    withdrawn = manager.post(f"/staffing/desk/leave/{ada.leave[0].id}/withdraw")
    assert withdrawn.status_code == 303
    page = manager.get("/staffing/desk?person=S1")
    assert faults_of(page.text) == []
    assert 'value="Ada"' in page.text
    with opened.records.reading() as connection:
        entries = connection.execute(select(audit_entry)).all()
    desk = [one for one in entries if one.action.startswith("staff, hours")]
    assert [one.subject for one in desk] == ["staff", "leave", "leave", "leave"]


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"what": "plan", "weeks": "99"}, "allowed is a number from 1 to 26"),
        ({"what": "plan", "service": "2"}, "allowed is a number from 0.5 to 0.999"),
        (
            {"what": "hours", "branch": "at-north", "hours_more": "many"},
            "allowed is a number from -12 to 12",
        ),
        ({"what": "closed", "branch": "at-north", "first": "2023-02-01"}, "choose one from 2023"),
        ({"what": "person", "branch": "nowhere", "role": "vet"}, "there are at-north, at-south"),
        ({"what": "storm"}, "there are hours, person, closed, campaign"),
    ],
)
def test_what_cannot_be_asked_is_said_and_nothing_is_asked(at, staffed, opened, sent, said):
    answer = at(Role.MANAGER).post("/staffing/ask", data=sent)
    assert answer.status_code == 422
    assert said in answer.text
    assert requests(opened.records) == []


def test_a_plan_and_a_change_are_asked_of_the_clock(at, staffed, opened):
    """With what was asked in plain words, which the job reads again by the same rules."""
    manager = at(Role.MANAGER)
    sent = {"what": "plan", "weeks": "8", "service": "0.9", "keep_agreed": "yes"}
    manager.post("/staffing/ask", data=sent)
    closed = {"what": "closed", "branch": "at-north", "first": "2023-05-01", "last": "2023-05-14"}
    manager.post("/staffing/ask", data=closed)
    asked = {one.kind: one.arguments for one in requests(opened.records)}
    assert asked == {
        "staff": {"weeks": 8, "service": 0.9, "keep_agreed": True},
        "try staffing": {"weeks": 16, "service": None, "change": closed},
    }
