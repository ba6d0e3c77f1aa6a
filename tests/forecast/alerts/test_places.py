"""Where an alert is about: its name and hours, also of a region that is gone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from alert_world import FIRST_WEEK, add_approved, make_practice, opened, settings

from forecast.alerts.approving import weeks_have_begun
from forecast.alerts.places import region_is_gone, region_name, zone_of

ZONES = (("north", "Europe/Berlin"), ("far", "Asia/Seoul"))


@pytest.fixture
def world(tmp_path):
    """Give a practice of two time zones, on a Sunday evening in the first: Monday in the other."""
    sunday = datetime(2026, 4, 19, 18, 0, tzinfo=UTC)
    practice = make_practice(tmp_path / "practice", settings(regions=ZONES), now=sunday)
    records = opened(practice)
    yield practice, add_approved(records, region="far")
    records.close()


def test_weeks_begin_by_the_regions_own_time(world):
    """Of the week of Monday 20 April: begun in Seoul, not yet in Berlin."""
    practice, made = world
    assert made.first_week == FIRST_WEEK
    assert weeks_have_begun(practice, made)
    assert not weeks_have_begun(practice, replace(made, region_id="north"))


def test_a_region_that_is_gone_keeps_the_name_it_was_written_with(world):
    """And goes by the practice's own time."""
    practice, made = world
    gone = replace(made, region_id="west", facts={"region": "The West"})
    assert [region_is_gone(practice, one.region_id) for one in (made, gone)] == [False, True]
    assert [region_name(practice, one) for one in (made, gone)] == ["Region 1", "The West"]
    assert str(zone_of(practice, "west")) == "Europe/Berlin"
