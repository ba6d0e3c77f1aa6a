"""What closures listed for days to come leave of a region's volume, by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest
from sqlalchemy import insert

from forecast.practice import create_practice
from forecast.records import open_records, tables
from forecast.visits.counting.closures_ahead import open_share_ahead

ORIGIN = date(2024, 7, 3)  # a Wednesday: its week begins on the 1st


@pytest.fixture(scope="module")
def folder(tmp_path_factory, small_settings):
    """Give a practice of two regions; north has two branches, one with three times the visits."""
    now = datetime(2024, 7, 3, 1, tzinfo=UTC)
    practice = create_practice(tmp_path_factory.mktemp("closed") / "p", small_settings, now=now)
    records = open_records(practice)
    opening = "mon tue wed thu fri"
    with records.writing() as connection:
        for branch, region in (("big", "north"), ("small", "north"), ("far", "south")):
            row = {"id": branch, "name": branch, "region_id": region, "open_days": opening}
            connection.execute(insert(tables.branch).values(**row))
        seen = [("big", date(2024, 6, day)) for day in (3, 4, 5)]
        seen += [("small", date(2024, 6, 3))]
        seen += [("small", date(2023, 6, day)) for day in (5, 6, 7)]  # too long ago to weigh
        for number, (branch, day) in enumerate(seen):
            row = {"reference": f"V{number}", "date": day, "branch_id": branch, "kind": "other"}
            connection.execute(insert(tables.visit).values(**row))
    yield practice, records
    records.close()


def close(records, *days: tuple[str, date, bool]) -> None:
    with records.writing() as connection:
        connection.execute(tables.closure.delete())
        for branch, day, full in days:
            row = {"branch_id": branch, "date": day, "full": full, "reason": "leave"}
            connection.execute(insert(tables.closure).values(**row))


def test_without_a_closure_ahead_nothing_is_said(folder):
    """Nor for a day of the past, nor for one on which the diary is full."""
    practice, records = folder
    close(records, ("big", date(2024, 6, 28), False), ("big", date(2024, 7, 8), True))
    assert open_share_ahead(practice, records, origin=ORIGIN, n_weeks=3) is None


def test_days_closed_weigh_by_the_visits_of_their_branch(folder):
    """Two of five days of the big branch: 1 - 3/4 * 2/5 = 0.7; a Sunday takes nothing.

    The week of the origin counts as a whole; all of the far branch's third week is closed.
    """
    practice, records = folder
    third = [("far", date(2024, 7, 15 + n), False) for n in range(5)]
    close(
        records,
        ("big", date(2024, 7, 8), False),
        ("big", date(2024, 7, 9), False),
        ("small", date(2024, 7, 7), False),
        ("small", date(2024, 7, 1), False),
        *third,
    )
    share = open_share_ahead(practice, records, origin=ORIGIN, n_weeks=3)
    assert share is not None
    assert [str(week)[:10] for week in share["week"].values] == [
        *("2024-07-01", "2024-07-08", "2024-07-15")
    ]
    # small: one of four visits, one of five days
    np.testing.assert_allclose(share.sel(region="north"), [1 - 0.25 * 0.2, 0.7, 1.0])
    np.testing.assert_allclose(share.sel(region="south"), [1.0, 1.0, 0.0])
