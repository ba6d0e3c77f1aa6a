"""What the records keep of the desk: terms and leave with their history, plans."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import insert, select

from forecast.records import RecordsError, tables
from forecast.records.care import doses_taken
from forecast.records.desk import (
    DeskHours,
    DeskNumber,
    StockCount,
    hours_on_record,
    keep_hours,
    keep_numbers,
    keep_stock,
    numbers_on,
    stock_on_record,
)
from forecast.records.issues import IssueRow, add_issue
from forecast.records.staff import (
    Recorded,
    Terms,
    gone_before,
    keep_leave,
    keep_staff,
    keep_terms,
    staff_on_record,
)
from forecast.records.staff_plans import (
    PLAN,
    WHAT_IF,
    add_staff_plan,
    agree_staff_plan,
    agreed_staff_plans,
    newest_staff_plan,
    staff_plan,
)

AT = datetime(2024, 3, 1, 8, 30, tzinfo=UTC)
DAY = date(2024, 3, 1)
BY = Recorded(AT, "somebody")


@pytest.fixture
def ada(records) -> str:
    with records.writing() as connection:
        for place in ("n", "s"):
            row = {"id": place, "name": place, "region_id": "r", "open_days": "mon"}
            connection.execute(insert(tables.branch).values(row))
        return keep_staff(connection, {"S1": "Ada"}, BY)["S1"]


def terms(hours: float, since: date, **more) -> Terms:
    return Terms(since, ("vet",), "n", hours, **more)


def test_of_terms_the_last_of_a_day_counts_and_those_to_come_are_told(records, ada):
    """Corrected on the same day; changed from May; the same again adds no row."""
    may = date(2024, 5, 1)
    with records.writing() as connection:
        assert keep_terms(connection, ada, terms(40, DAY), BY)
        assert keep_terms(connection, ada, terms(38, DAY), BY)
        assert keep_terms(connection, ada, terms(20, may, until=date(2024, 12, 31)), BY)
        assert not keep_terms(connection, ada, terms(38, DAY + timedelta(days=9)), BY)
    (now,) = staff_on_record(records, day=DAY)
    assert [(one.from_date, one.hours_week) for one in now.terms] == [(DAY, 38.0), (may, 20.0)]
    assert [one.hours_week for one in staff_on_record(records, day=may)[0].terms] == [20.0]
    assert staff_on_record(records, day=date(2025, 1, 1)) == []
    assert gone_before(records, day=date(2024, 12, 31)) == []
    assert [one.name for one in gone_before(records, day=date(2025, 1, 1))] == ["Ada"]
    assert "Ada" not in repr(now)


def test_leave_is_withdrawn_and_its_row_stays(records, ada):
    """What was planned with can still be told; past leave is not touched."""
    past, first = (date(2024, 1, 1), date(2024, 1, 5)), (date(2024, 4, 1), date(2024, 4, 5))
    other = (date(2024, 4, 8), date(2024, 4, 12))
    with records.writing() as connection:
        keep_terms(connection, ada, terms(40, date(2023, 1, 1)), BY)
        keep_leave(connection, ada, [past], today=date(2024, 1, 1), recorded=BY)
        assert keep_leave(connection, ada, [first], today=DAY, recorded=BY) == (1, 0)
        assert keep_leave(connection, ada, [other], today=DAY, recorded=BY) == (1, 1)
        assert keep_leave(connection, ada, [other], today=DAY, recorded=BY) == (0, 0)
    (held,) = staff_on_record(records, day=DAY)
    assert [(one.first, one.last) for one in held.leave] == [other]
    with records.reading() as connection:
        rows = connection.execute(select(tables.staff_leave).order_by("first")).all()
    assert [row.withdrawn_at for row in rows] == [None, AT, None]


def test_hours_numbers_and_stock_hold_from_a_day_on(records, ada):
    """Of a branch before those of all; what holds already adds no row."""
    later = date(2024, 6, 1)
    with records.writing() as connection:
        hours = [DeskHours("n", DAY, "mon 08:00-12:00"), DeskHours("n", later, "tue 08:00-12:00")]
        assert keep_hours(connection, hours, BY) == 2
        assert keep_hours(connection, [DeskHours("n", later, "tue 08:00-12:00")], BY) == 0
        found = [
            DeskNumber("minutes", "recheck", 12, DAY, "vet"),
            DeskNumber("minutes", "recheck", 10, DAY, "vet", "n"),
            DeskNumber("price", "away_shift", 30, later),
        ]
        assert keep_numbers(connection, found, BY) == 3
        assert keep_numbers(connection, found, BY) == 0
        counts = [StockCount("n", "x", DAY, 5, 2, 3), StockCount("n", "x", later, 9, 2, 3)]
        assert keep_stock(connection, counts, BY) == 2
        assert keep_stock(connection, counts[:1], BY) == 0
    assert [one.from_date for one in hours_on_record(records)] == [DAY, later]
    assert {(n.branch_id, n.number) for n in numbers_on(records, day=DAY)} == {
        (None, 12),
        ("n", 10),
    }
    assert len(numbers_on(records, day=later)) == 3
    assert [one.on_hand for one in stock_on_record(records)] == [9.0]


@pytest.fixture
def issued(records) -> str:
    row = IssueRow("i1", AT, DAY, "issued", "m", "s", 1, "i1.nc", "f", "SNAP", None)
    add_issue(records, row, settings_text="", summaries={})
    return "i1"


def test_the_newest_plans_stay_and_every_agreed_one(records, issued):
    """A plan agreed is never thinned out; what was tried is counted apart."""

    def add(kind: str, minute: int) -> str:
        at = AT + timedelta(minutes=minute)
        given = {"issue_id": issued, "made_at": at, "kind": kind, "asked": {}, "newest": 2}
        return add_staff_plan(records, content=str(minute), **given)

    first = add(PLAN, 0)
    agree_staff_plan(records, first, by="somebody", at=AT)
    ids = [add(PLAN, minute) for minute in (1, 2, 3)]
    tried = add(WHAT_IF, 4)
    assert staff_plan(records, first).agreed_by == "somebody"
    assert [one.id for one in agreed_staff_plans(records, since=AT)] == [first]
    assert agreed_staff_plans(records, since=AT + timedelta(seconds=1)) == []
    with pytest.raises(RecordsError, match="no such plan"):
        staff_plan(records, ids[0])
    assert newest_staff_plan(records).id == ids[2]
    assert newest_staff_plan(records, kind=WHAT_IF).id == tried
    with pytest.raises(RecordsError, match="or it was before"):
        agree_staff_plan(records, first, by="somebody", at=AT)


def test_doses_are_taken_from_the_branch_of_the_visit_and_else_of_the_dog(records, ada):
    """Given or handed out between two days; the newest row of a day counts, declined ones none."""
    rows = [  # dog, day, status
        ("rex", 2, "given"),
        ("rex", 5, "declined"),
        ("mo", 3, "dispensed"),
        ("mo", 4, "given"),
        ("mo", 4, "declined"),
        ("stray", 3, "given"),
        ("rex", 1, "given"),
        ("rex", 9, "given"),
    ]
    with records.writing() as connection:
        for dog, place in (("rex", "n"), ("mo", "s"), ("stray", None)):
            connection.execute(insert(tables.dog).values(id=dog, branch_id=place))
        for dog, day, status in rows:
            one = {"dog_id": dog, "therapy": "injection", "date": date(2024, 3, day)}
            more = {"status": status, "reason": "not known"}
            connection.execute(insert(tables.therapy_event).values(one | more))
        other = {"dog_id": "rex", "therapy": "tablet", "date": date(2024, 3, 3)}
        more = {"status": "given", "reason": "not known"}
        connection.execute(insert(tables.therapy_event).values(other | more))
        seen = {"reference": "V1", "date": date(2024, 3, 2), "branch_id": "s", "dog_id": "rex"}
        connection.execute(insert(tables.visit).values(seen))
    found = doses_taken(records, "injection", after=DAY, before=date(2024, 3, 9))
    assert found == [(date(2024, 3, 2), "s"), (date(2024, 3, 3), "s")]
