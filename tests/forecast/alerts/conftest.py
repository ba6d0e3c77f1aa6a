"""A rule, a practice with an issue laid out by hand, and records with people in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime

import numpy as np
import pytest
import xarray as xr

from forecast.cut import DataCut
from forecast.issuing import Issue
from forecast.practice import Practice, create_practice
from forecast.records import Records, open_records
from forecast.records.alert_rules import AlertRule
from forecast.records.issues import IssueRow, add_issue

NOW = datetime(2023, 3, 8, 1, 0, tzinfo=UTC)  # ten in the morning in Seoul, a Wednesday
RULE = AlertRule(
    id="r",
    region_id="north",
    made_at=NOW,
    made_by="command line",
    is_on=True,
    cost=1.0,
    loss=4.0,  # on at 1 in 4
    off_share=0.8,  # off below 1 in 5
    shortest_lead=5,
    longest_lead=28,
    gap=28,
    kinds=("season near", "peak near", "season over", "sudden high week"),
    budget=3,
    without_skill="send",
)


@pytest.fixture(scope="session")
def rule() -> AlertRule:
    return RULE


@pytest.fixture
def practice(tmp_path, small_settings) -> Practice:
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


@pytest.fixture
def records(practice) -> Iterator[Records]:
    opened = open_records(practice)
    yield opened
    opened.close()


@pytest.fixture
def issued(practice, records) -> Callable[..., Issue]:
    """Give what keeps the row of an issue with odds by week from 6 March on; it has no file."""

    def make(odds: list[float], *, usual: float = 0.1, issue_id: str = "i1") -> Issue:
        origin = date(2023, 3, 8)
        cut = DataCut(origin, "s", None, "1", "issued")
        row = IssueRow(issue_id, NOW, origin, "issued", "m", "s", 1, "f.nc", "f", "s", None)
        add_issue(records, row, settings_text="", summaries={})
        weeks = np.datetime64("2023-03-06", "ns") + 7 * np.arange(len(odds)) * np.timedelta64(
            1, "D"
        )
        held = xr.Dataset(
            {
                "odds_high": (("region", "week"), [odds]),
                "climatology_odds": (("region", "week"), [[usual] * len(odds)]),
            },
            coords={"region": ["north"], "week": weeks},
        )
        file = practice.issued_folder / "f.nc"
        return Issue(issue_id, NOW, cut, cut, "m", "s", 1, (), file, "f", held)

    return make
