"""A roster that was agreed stands, week by week, until another is; and how load lies on people."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from icalendar import Calendar

from forecast.practice import create_practice
from forecast.records import open_records
from forecast.records.issues import IssueRow, add_issue
from forecast.records.staff_plans import add_staff_plan, agree_staff_plan, staff_plan
from forecast.regions import Branch
from forecast.staffing.burdens import burden_words, burdens
from forecast.staffing.calendar import shifts_calendar
from forecast.staffing.inputs import BranchHours, StaffMember
from forecast.staffing.kept_plan import as_text, plan_of
from forecast.staffing.roster import Roster, Shift
from forecast.staffing.told_before import no_longer
from forecast.staffing.worked import worked_by

MONDAY = date(2023, 3, 6)
MADE = datetime(2023, 3, 1, 1, tzinfo=UTC)


@pytest.fixture
def records(tmp_path, small_settings):
    opened = open_records(create_practice(tmp_path / "practice", small_settings, now=MADE))
    row = IssueRow("i1", MADE, date(2023, 3, 1), "issued", "m", "s", 1, "i1.nc", "f", "SNAP", None)
    add_issue(opened, row, settings_text="", summaries={})
    yield opened
    opened.close()


@pytest.fixture
def keep(records, make_plan):
    """Give what keeps a plan of a Monday shift a week, by one person; agreed if told when."""

    def kept(person: str, first: date, *, n: int, agreed: int | None = None):
        weeks = tuple(first + timedelta(weeks=k) for k in range(n))
        shifts = tuple(Shift(week, "at-north", "vet", 8.0, person) for week in weeks)
        plan = make_plan()
        plan = replace(plan, roster=replace(plan.roster, shifts=shifts, weeks=weeks))
        given = {"issue_id": "i1", "made_at": MADE, "asked": {}, "newest": 10}
        plan_id = add_staff_plan(records, kind="plan", content=as_text(plan), **given)
        if agreed is not None:
            at = MADE + timedelta(days=agreed)
            agree_staff_plan(records, plan_id, by="m1", at=at)
        return staff_plan(records, plan_id), plan

    return kept


def people_of(worked) -> dict[date, str | None]:
    return {one.day: one.person for one in worked.shifts}


def test_an_agreed_roster_stands_in_its_weeks_when_a_newer_plan_comes(records, keep):
    """Agreed of 6 and 13 March; the plan of a week later tells of 13 and 20 March."""
    keep("agreed", MONDAY, n=2, agreed=0)
    row, plan = keep("newer", MONDAY + timedelta(weeks=1), n=2)
    found = worked_by(records, row, plan, today=date(2023, 3, 8))
    weeks = [MONDAY + timedelta(weeks=k) for k in range(3)]
    assert people_of(found) == dict(zip(weeks, ("agreed", "agreed", "newer"), strict=True))
    assert set(found.agreed) == set(weeks[:2])
    assert found.stands_before(row) == MADE
    later = worked_by(records, row, plan, today=date(2023, 3, 14))
    assert people_of(later) == dict(zip(weeks[1:], ("agreed", "newer"), strict=True))


def test_an_agreed_shift_that_cannot_be_worked_is_nobody_s(records, keep):
    """The newest plan says so of the second week: who works there is not told to work."""
    keep("agreed", MONDAY, n=2, agreed=0)
    row, plan = keep("newer", MONDAY, n=2)
    second = MONDAY + timedelta(weeks=1)
    plan = replace(plan, lost=(Shift(second, "at-north", "vet", 8.0, "agreed"),))
    found = worked_by(records, row, plan, today=MONDAY)
    assert people_of(found) == {MONDAY: "agreed"}
    assert second in found.agreed


def test_the_roster_agreed_last_comes_first(records, keep):
    """Two agreed of the same weeks, the plan among them: nothing stands before it."""
    keep("before", MONDAY, n=2, agreed=0)
    row, plan = keep("now", MONDAY, n=2, agreed=1)
    found = worked_by(records, row, plan, today=MONDAY)
    assert set(people_of(found).values()) == {"now"}
    assert found.stands_before(row) is None


def test_without_any_agreement_all_is_a_proposal(records, keep):
    row, plan = keep("asked", MONDAY, n=2)
    found = worked_by(records, row, plan, today=MONDAY)
    assert found.shifts == plan.roster.shifts
    assert (found.agreed, found.stands_before(row)) == ({}, None)


class CalendarOfSomebody:
    """What a calendar holds that takes every file: of a UID the entry of the highest sequence."""

    def __init__(self):
        self.held = {}

    def take(self, worked, at):
        """Take the file that is given out at a moment."""
        content = shifts_calendar(
            worked.shifts,
            cancelled=worked.cancelled,
            hours={"at-north": BranchHours(Branch("at-north", "North", "n", ("mon",)))},
            people={},
            zone_of=lambda _: "UTC",
            changed_at=at,
            agreed=worked.agreed,
            name="North",
        )
        for one in Calendar.from_ical(content).walk("VEVENT"):
            before = self.held.get(str(one["uid"]))
            if before is None or one["sequence"] > before["sequence"]:
                self.held[str(one["uid"])] = one

    @property
    def standing(self):
        """How many entries it holds that are not cancelled."""
        return len([one for one in self.held.values() if str(one["status"]) != "CANCELLED"])


def test_a_calendar_holds_what_stands_whatever_plans_and_agreements_come(records, make_plan):
    """Every plan is of other people and numbers of locums; the calendar takes each file in turn.

    Of agreed weeks it must not lose a shift when a newer proposal comes; a week of which no plan
    tells any more keeps what it was told.
    """
    calendar, newest, today = CalendarOfSomebody(), None, MONDAY
    # people of each Monday, weeks told, entries by hand after the plan and after an agreement
    steps = [
        (["ada", "bo", None, None], 3, 12, None),
        (["cy"], 1, 1 + 2 * 4, None),
        (["ada", None], 3, 6, 6),
        (["cy"], 3, 6, None),
        (["bo", None], 3, 6, 6),
        ([], 3, 6, 0),
    ]
    for step, (people, n_weeks, planned, agreed) in enumerate(steps):
        at = MADE + timedelta(hours=step)
        weeks = tuple(MONDAY + timedelta(weeks=k) for k in range(n_weeks))
        shifts = tuple(Shift(w, "at-north", "vet", 8.0, p) for w in weeks for p in people)
        plan = make_plan()
        plan = replace(plan, roster=replace(plan.roster, shifts=shifts, weeks=weeks))
        if newest is not None:
            told = worked_by(records, *newest, today=today).told
            stands = worked_by(records, None, plan, today=today).shifts
            plan = replace(plan, gone=no_longer(told, stands, today=today))
        given = {"issue_id": "i1", "made_at": at, "asked": {}, "newest": 10}
        plan_id = add_staff_plan(records, kind="plan", content=as_text(plan), **given)
        for expected in (planned, agreed):
            if expected is None:
                continue
            row = staff_plan(records, plan_id)
            newest = (row, plan_of(row.content))
            worked = worked_by(records, *newest, today=today)
            calendar.take(worked, row.changed_at)
            assert calendar.standing == expected, step
            if agreed is not None and row.agreed_at is None:
                agreed_at = at + timedelta(minutes=30)
                agree_staff_plan(records, plan_id, by="m1", at=agreed_at)
    assert calendar.standing == 0
    past = worked_by(records, *newest, today=MONDAY + timedelta(weeks=3))
    assert past.gone == ()


def test_burdens_of_each_person_are_counted_by_hand():
    """Two weeks, the second a peak: Ada 8 + 16 h, one extra and away there; Bo 8 h before it."""
    peak = MONDAY + timedelta(weeks=1)
    staff = (StaffMember("ada", ("vet",), "n", 16.0), StaffMember("bo", ("vet",), "n", 8.0))
    shifts = (
        Shift(MONDAY, "n", "vet", 8.0, "ada"),
        Shift(MONDAY, "n", "vet", 8.0, "bo", is_extra=True),
        Shift(peak, "n", "vet", 8.0, "ada", is_extra=True),
        Shift(peak + timedelta(days=1), "s", "vet", 8.0, "ada", is_away=True),
        Shift(peak, "n", "vet", 8.0, None),
    )
    roster = Roster("plan", shifts, staff, (MONDAY, peak), peak_weeks=(peak,), burden={})
    ada, bo = burdens(roster, {"ada": "Ada", "bo": "Bo"})
    assert (ada.person, ada.contract, ada.hours, ada.peak_hours) == ("ada", 32.0, 24.0, 16.0)
    assert (ada.extra, ada.away, ada.peak_burdens) == (1, 1, 2)
    assert ada.peak_share == pytest.approx(2 / 3)
    assert (bo.contract, bo.hours, bo.peak_hours, bo.peak_share) == (16.0, 8.0, 0.0, 0.0)
    assert (bo.extra, bo.peak_burdens) == (1, 0)
    assert burden_words(roster, {"ada": "Ada", "bo": "Bo"}) == (
        "In the peak weeks Ada takes the most: 2 shifts over the contract or away from home; "
        "1 of 2 people take none."
    )
