"""Verified forecasts as rows: kept once, replaced by a newer vintage, kinds apart."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from forecast.records.issues import IssueRow, add_issue
from forecast.records.verifications import Verification, keep_verifications, verifications
from forecast.records.vintages import add_vintage

AT = datetime(2024, 6, 1, 8, 30, tzinfo=UTC)
WEEK = date(2024, 5, 20)


@pytest.fixture
def vintage(records) -> str:
    for issue_id, kind in (("i1", "issued"), ("i2", "issued"), ("h1", "hindcast")):
        row = IssueRow(issue_id, AT, AT.date(), kind, "m", "s", 1, f"{issue_id}.nc", "f", "S", None)
        add_issue(records, row, settings_text="", summaries={})
    return add_vintage(
        records, [], known_on=AT.date(), made_at=AT, case_definition="v", kind="as known then"
    ).id


def row(vintage: str, **other) -> Verification:
    made = Verification(
        "i1", "north", WEEK, "visits", vintage, 3, 7.0, 1.5, 2.0, 0.4, 1.0, 0.3, True
    )
    return replace(made, **other)


def test_what_is_kept_comes_back_with_what_is_not_known(records, vintage):
    """Numbers to the last bit; odds and outcome that are not known stay so."""
    odd = row(vintage, region_id="south", odds_high=None, was_high=None, observed=0.1 + 0.2)
    keep_verifications(records, [row(vintage), odd])
    found = verifications(records, kind="issued")
    assert found["region_id"].tolist() == ["north", "south"]
    assert found["observed"].tolist() == [7.0, 0.1 + 0.2]
    assert (found["was_high"][0], found["was_high"][1]) == (True, None)
    assert np.isnan(found["odds_high"][1])
    assert found["week"][0].date() == WEEK
    assert found["weeks_ahead"].tolist() == [3, 3]


def test_a_newer_row_takes_the_place_of_the_older(records, vintage):
    """Of the same issue, region, week and quantity; others stay."""
    keep_verifications(records, [row(vintage), row(vintage, issue_id="i2")])
    keep_verifications(records, [row(vintage, observed=9.0)])
    found = verifications(records, kind="issued").set_index("issue_id")["observed"]
    assert found.to_dict() == {"i1": 9.0, "i2": 7.0}


def test_issued_ones_and_hindcasts_never_come_together(records, vintage):
    """Each kind is asked for alone."""
    keep_verifications(records, [row(vintage), row(vintage, issue_id="h1")])
    for kind, issue_id in (("issued", "i1"), ("hindcast", "h1")):
        assert verifications(records, kind=kind)["issue_id"].tolist() == [issue_id]


def test_many_rows_are_kept_in_batches(records, vintage):
    """More than one transaction holds."""
    many = [row(vintage, region_id=f"r{n:04d}") for n in range(1203)]
    keep_verifications(records, many)
    keep_verifications(records, many)
    assert len(verifications(records, kind="issued")) == 1203


def test_without_any_there_is_an_empty_table(records):
    assert verifications(records, kind="issued").empty
