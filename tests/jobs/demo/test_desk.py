"""The invented desk: who works where is chosen, and one branch is short of a vet by design."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pandas as pd

from forecast.practice import create_practice
from forecast.records import open_records
from forecast.records.staff import staff_on_record
from forecast.records.tables import branch
from forecast.staffing.desk_import import import_staff
from forecast.staffing.desk_inputs import desk_inputs
from jobs.demo.desk import invent_desk, write_desk

BRANCHES = pd.DataFrame({"id": ["amber", "indigo", "teal", "ochre"]})


def test_teal_alone_is_short_of_a_vet():
    """One of 24 hours, where the others have two; away from the ninth week's Monday on."""
    desk = invent_desk(BRANCHES, as_of=date(2023, 3, 1))
    vets = [(row[3], row[4]) for row in desk["staff"] if row[2] == "vet"]
    hours = pd.DataFrame(vets, columns=["branch", "hours"]).groupby("branch")["hours"].sum()
    assert hours.to_dict() == {"amber": 72.0, "indigo": 72.0, "ochre": 72.0, "teal": 24.0}
    (teal,) = [row[0] for row in desk["staff"] if row[2:4] == ("vet", "teal")]
    assert [row[1:] for row in desk["leave"] if row[0] == teal] == [("2023-05-01", "2023-05-12")]
    assert len({row[0] for row in desk["staff"]}) == len(desk["staff"])
    assert len({row[1] for row in desk["staff"]}) == len(desk["staff"])


def test_the_desks_workbook_comes_in_without_a_finding(tmp_path, small_settings):
    """What is planned with is what was invented: hours for every branch, use for every item."""
    practice = create_practice(
        tmp_path / "practice", small_settings, now=datetime(2023, 3, 1, tzinfo=UTC)
    )
    records = open_records(practice)
    with records.writing() as connection:
        for place in BRANCHES["id"]:
            row = {"id": place, "name": place, "region_id": "north", "open_days": "mon"}
            connection.execute(branch.insert().values(row))
    file = write_desk(BRANCHES, tmp_path, as_of=date(2023, 3, 1))
    report = import_staff(practice, records, file)
    people = staff_on_record(records, day=practice.today)
    desk = desk_inputs(practice, records, first_day=date(2023, 3, 6), weeks=16)
    records.close()
    assert report.findings == ()
    assert len(people) == 18
    assert sum(len(one.leave) for one in people) == 4
    assert desk.without_hours == ()
    assert len(desk.inputs.stock) == 16
    assert all(item.use for item in desk.inputs.stock)
