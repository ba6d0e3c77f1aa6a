"""Shifts that were really worked: read from a file, kept, and compared with as last year's."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from small_desk import MONDAY, inputs, staff_of, workload

from forecast.practice import create_practice
from forecast.records import open_records
from forecast.records.staff import Recorded, Terms
from forecast.records.tables import branch
from forecast.records.worked_shifts import (
    WorkedShift,
    keep_worked_shifts,
    worked_shifts,
    worked_span,
)
from forecast.staffing.desk_file import read_desk
from forecast.staffing.desk_import import import_staff
from forecast.staffing.desk_table import DeskWords
from forecast.staffing.last_year import a_year_before, notes_on, roster_as_worked
from forecast.staffing.money import cost_line
from forecast.staffing.overflow import capacity_of, meet

NOW = datetime(2023, 3, 1, 1, tzinfo=UTC)
TODAY = date(2023, 3, 1)
ADA = [Terms(date(2021, 1, 1), ("vet",), "north", 40.0)]
ADA += [Terms(date(2022, 6, 1), ("technician", "desk"), "south", 40.0)]
GOOD = (
    "person,day,from,to,role,branch\n"
    "S1,2022-03-07,8:00,16:30,,\n"
    "S1,2022-06-07,08:00:00,12:00,,\n"
    "S1,2022-06-07,13:00,17:15,desk,north\n"
    "L9,2022-03-07,9:00,12:00,vet,south\n"
)


def read(text: str):
    words = DeskWords(("north", "south"), (), (), (), ("S1",), terms={"S1": ADA})
    return read_desk(text.encode(), "shifts.csv", words=words, today=TODAY)


def test_who_is_known_works_by_their_terms_of_that_day_unless_the_row_says_otherwise():
    """A vet at north in March, a technician at south in June; a locum must be told in full."""
    desk = read(GOOD)
    assert desk.findings == []
    first, *others = desk.shifts
    assert first == WorkedShift(
        date(2022, 3, 7), "north", "vet", time(8), time(16, 30), person="S1"
    )
    assert first.hours == 8.5
    assert [(one.branch_id, one.role, one.hours) for one in others] == [
        ("south", "technician", 4.0),
        ("north", "desk", 4.25),
        ("south", "vet", 3.0),
    ]


@pytest.mark.parametrize(
    ("row", "column", "said"),
    [
        ("S1,2022-03-08,8.30,12:00,,", "from", "not a time of the day: '8.30'"),
        ("S1,2022-03-08,8:00,24:30,,", "to", "not a time of the day: '24:30'"),
        ("S1,2022-03-08,22:00,6:00,,", "to", "ends before it begins: '6:00'"),
        ("S1,2022-03-08,1:00,23:00,,", "to", "longer than a shift can be: '23:00'"),
        ("S1,2023-03-02,8:00,12:00,,", "day", "day lies in the future: '2023-03-02'"),
        ("S1,2022-03-07,12:00,18:00,,", "from", "overlaps another shift of the same person"),
        ("L9,2022-03-08,8:00,12:00,vet,", "person", "nobody on the staff list: 'L9'"),
        ("S1,2022-03-08,8:00,12:00,nurse,", "role", "unknown word: 'nurse'"),
        ("S1,2022-03-08,8:00,12:00,,west", "branch", "unknown word: 'west'"),
        (",2022-03-08,8:00,12:00,vet,north", "person", "value is missing"),
    ],
)
def test_each_bad_row_is_one_line_and_the_rest_is_kept(row, column, said):
    desk = read(f"{GOOD}{row}\n")
    (line,) = [one.sentence for one in desk.findings]
    assert line.startswith(f"shifts.csv row 6 column {column}: {said}"), line
    assert len(desk.shifts) == 4


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


@pytest.fixture
def records(practice):
    opened = open_records(practice)
    with opened.writing() as connection:
        for place in ("north", "south"):
            row = {"id": place, "name": place, "region_id": place, "open_days": "mon tue"}
            connection.execute(branch.insert().values(row))
    yield opened
    opened.close()


def held(records):
    return worked_shifts(records, first=date(2022, 1, 1), last=date(2022, 12, 31))


def test_a_file_stands_in_place_of_what_was_told_of_its_days(practice, records, tmp_path):
    """The same again changes nothing; a mended day replaces that branch's day and no other."""
    bring = tmp_path / "shifts.csv"
    staff = "person,skills,branch,hours_a_week,from\nS1,vet,north,40,2020-01-01\n"
    for text in (staff, GOOD, GOOD + "\n"):
        bring.write_text(text, encoding="utf-8")
        import_staff(practice, records, bring)
    assert len(held(records)) == 4
    assert {one.person is None for one in held(records) if one.branch_id == "north"} == {False}
    (locum,) = [
        one
        for one in held(records)
        if one.branch_id == "south" and one.role == "vet" and one.day == date(2022, 3, 7)
    ]
    assert locum.person is None
    bring.write_text(GOOD.splitlines()[0] + "\nS1,2022-03-07,8:00,12:00,,\n", encoding="utf-8")
    import_staff(practice, records, bring)
    north = [one for one in held(records) if (one.branch_id, one.day.month) == ("north", 3)]
    assert [one.ends for one in north] == [time(12)]
    assert locum in held(records)
    assert worked_span(records) == (date(2022, 3, 7), date(2022, 6, 7), 4)


def test_two_locums_alike_are_two_rows(records):
    one = WorkedShift(date(2022, 3, 7), "north", "vet", time(8), time(12))
    with records.writing() as connection:
        assert keep_worked_shifts(connection, [one, one], Recorded(NOW, "x")) == 2
        assert keep_worked_shifts(connection, [one, one], Recorded(NOW, "x")) == 0
        assert keep_worked_shifts(connection, [one], Recorded(NOW, "x")) == 1


def a_year_ago(place: str, *, days: int, ends: int = 16, who="x") -> list[WorkedShift]:
    first = MONDAY - timedelta(weeks=52)
    return [
        WorkedShift(first + timedelta(days=n), place, "vet", time(8), time(ends), who)
        for n in range(days)
    ]


def test_last_years_roster_is_met_by_this_years_load_and_paid_beyond_contracts():
    """Six days of 10 h of the staff at a, which opens on five, and a locum for 8 h; 68 h of vets.

    Held are 5 x min(10, 9) h and 8 h of the locum, 8 tenths bookable. Contracts hold 40 h, so the
    staff's fifth and sixth shift are extra, and the locum is paid as one.
    """
    given = inputs(["a"], staff_of("a"))
    load = workload(given, n_weeks=1, n_draws=3)
    worked = [*a_year_ago("a", days=6, ends=18), *a_year_ago("a", days=1, who=None)]
    roster, notes = roster_as_worked(worked, load, given)
    assert notes == []
    assert {one.day for one in roster.shifts} == {MONDAY + timedelta(days=n) for n in range(6)}
    capacity, overtime = capacity_of(roster, load, given)
    assert float(capacity.sel(role="vet").sum()) == pytest.approx(60 * 0.8 * (5 * 9 + 8))
    assert float(overtime.sum()) == 0.0  # what was worked holds it already
    line = cost_line(roster, meet(load, roster, given), given)
    assert line.wages == pytest.approx(40 * (40 + 20 + 16))
    assert line.extra_shifts == pytest.approx(2 * 10 * 60)
    assert line.locums == pytest.approx(8 * 75)
    assert "paid in it as in the others" in notes_on([roster.name])[0]
    first, last = a_year_before(load.weeks)
    assert first == worked[0].day
    assert (last - first).days == 6


def test_who_left_since_is_paid_by_the_contract_that_took_their_place():
    """Five shifts of 8 h of somebody on no list are the vet's of today; on leave she is a locum's.

    Two days of leave leave three shifts of her contract, so two are paid as a locum's.
    """
    vet = staff_of("a", technicians=0, desks=0)
    away = replace(vet[0], leave=((MONDAY, MONDAY + timedelta(days=1)),))
    for staff, locums in ((vet, 0), ([away], 2 * 8 * 75)):
        given = inputs(["a"], staff)
        load = workload(given, n_weeks=1, n_draws=3)
        roster, _ = roster_as_worked(a_year_ago("a", days=5, who=None), load, given)
        assert cost_line(roster, meet(load, roster, given), given).locums == locums


def test_a_week_of_which_nothing_is_on_record_is_not_nobody():
    """B has no shifts on record: the comparison is left out and b named. None at all is silent."""
    given = inputs(["a", "b"], [*staff_of("a"), *staff_of("b")])
    load = workload(given, n_weeks=1, n_draws=3)
    roster, (note,) = roster_as_worked(a_year_ago("a", days=5), load, given)
    assert roster is None
    assert note.branch == "b"
    assert note.sentence.startswith("b: of 1 of 1 weeks no shift worked a year ago is on record")
    assert roster_as_worked([], load, given) == (None, [])
