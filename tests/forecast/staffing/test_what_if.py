"""The whole plan in one call, and what changes would do to it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from small_desk import inputs, staff_of
from test_workload import TODAY, issued, past_visits

from forecast.staffing.desk_numbers import OTHER, StaffingError
from forecast.staffing.inputs import StaffMember, StockItem, StockLot
from forecast.staffing.patterns import learn_patterns
from forecast.staffing.planning import plan_staff, weeks_ahead
from forecast.staffing.week_desk import RosterRules
from forecast.staffing.what_if import (
    BranchClosed,
    Campaign,
    OneMore,
    OtherHours,
    changed,
    try_change,
)

RULES = RosterRules(gap=0.01, seconds=60.0, branch_futures=20, fairness=0.15)


@pytest.fixture(scope="module")
def given():
    staff = [*staff_of("a"), *staff_of("b")]
    lots = (StockLot(100.0),)
    stock = (StockItem("sets", "b", {OTHER: 1.0}, lots, lead_days=7.0, pack_size=10.0),)
    return inputs(["a", "b"], staff, stock=stock)


@pytest.fixture(scope="module")
def plan(given):
    """Branch b will be asked for more than its people hold."""
    patterns = learn_patterns(past_visits(), given.hours, regions=["r", "s"], today=TODAY)
    return plan_staff(
        issued([9, 0], [150, 140]),
        patterns,
        given,
        issue_id="one",
        today=TODAY,
        n_weeks=3,
        service=0.9,
        rules=RULES,
    )


def test_a_plan_holds_everything(plan):
    """Three weeks, two branches, three roles; four rosters on the same draws; no finding."""
    assert len(plan.load) == 3 * 2 * 3
    assert len(plan.waiting) == 3 * 2
    assert len(plan.slots) == 3 * 2 * 5
    assert [line.roster for line in plan.money.lines] == [
        "planned over futures",
        "nothing done",
        "planned on mean loads",
        "planned on last year's visits",
    ]
    assert plan.findings == ()
    assert plan.stock[0].orders
    assert {one.source for one in plan.told} == {"visits", "table", "desk"}
    ours, nothing = plan.money.lines[:2]
    assert ours.total < nothing.total


def test_the_first_whole_week_is_the_first(given):
    """From a Monday on that week, from a Wednesday on the next."""
    assert weeks_ahead(date(2026, 3, 2), 2) == (date(2026, 3, 2), date(2026, 3, 9))
    assert weeks_ahead(date(2026, 3, 4), 1) == (date(2026, 3, 9),)


def test_a_service_level_that_is_none_is_refused(given):
    """Nine of ten is 0.9, not 9."""
    patterns = learn_patterns(past_visits(), given.hours, regions=["r", "s"], today=TODAY)
    for asked in ({"service": 9.0, "n_weeks": 2}, {"n_weeks": 0}):
        with pytest.raises(StaffingError, match="allowed is"):
            plan_staff(
                issued([9, 0], [9, 9]), patterns, given, issue_id="one", today=TODAY, **asked
            )


def test_one_more_vet_lowers_overflow(plan, given):
    """At b, full time: fewer visits turned away; the wage is in the cost."""
    person = StaffMember("new", ("vet",), "b", 40.0)
    found = try_change(plan, given, OneMore(person), rules=RULES)
    assert found.turned_away[1] < found.turned_away[0]
    assert found.overflow_weeks[1] < found.overflow_weeks[0]
    assert found.sentence == "one more vet at b, 40 h a week"


def test_a_campaign_moves_visits_and_loses_none(plan, given):
    """A fifth of what can be moved of the peak week comes a week earlier, draw by draw."""
    peak = plan.roster.peak_weeks[0]
    load, _, _ = changed(plan, given, Campaign(0.2, 1))
    usual = plan.workload.visits
    at = plan.workload.weeks.index(peak)
    others = usual.sel(kind=OTHER)
    new = load.visits.sel(kind=OTHER)
    if at == 0:
        np.testing.assert_array_equal(new.values, others.values)
    else:
        np.testing.assert_allclose(new.isel(week=at), 0.8 * others.isel(week=at))
    np.testing.assert_allclose(load.visits.sum("week"), usual.sum("week"))
    flares = load.visits.sel(kind="flare visit")
    np.testing.assert_array_equal(flares, usual.sel(kind="flare visit"))


def test_a_closed_branch_offers_its_visits_elsewhere(plan, given):
    """One whole week and a day of the next: all of the first, a share of the second go to a."""
    first = TODAY
    last = TODAY + timedelta(days=7)
    load, new, _ = changed(plan, given, BranchClosed("b", first, last, instead="a"))
    usual = plan.workload.visits
    assert float(load.visits.sel(branch="b").isel(week=0).sum()) == pytest.approx(0.0, abs=1e-9)
    share = float(plan.workload.weekday_share.sel(branch="b", weekday=0))
    np.testing.assert_allclose(
        load.visits.sel(branch="b").isel(week=1),
        (1 - share) * usual.sel(branch="b").isel(week=1),
    )
    np.testing.assert_allclose(load.visits.sum("branch"), usual.sum("branch"))
    assert not new.hours["b"].is_open(first)
    assert new.hours["b"].is_open(last + timedelta(days=1))
    found = try_change(plan, given, BranchClosed("b", first, last, instead="a"), rules=RULES)
    assert found.turned_away[1] > found.turned_away[0]


def test_longer_hours_are_paid_as_overtime(plan, given):
    """Two hours longer at b: three people, five shifts, three weeks; the dearer part is added."""
    change = OtherHours("b", hours_more=2.0)
    _, new, added = changed(plan, given, change)
    assert added == pytest.approx(2 * 5 * 3 * (20 + 10 + 8))  # half more than 40, 20, 16
    assert {s.contract_hours for s in new.staff if s.home_branch == "b"} == {50.0}
    found = try_change(plan, given, change, rules=RULES)
    assert found.turned_away[1] < found.turned_away[0]


def test_a_new_day_takes_its_share(plan, given):
    """Open on two Saturdays: people can be there, and the week's visits lie on six days."""
    days = frozenset(TODAY + timedelta(days=5 + 7 * n) for n in range(2))
    load, new, _ = changed(plan, given, OtherHours("b", days=days))
    assert new.hours["b"].is_open(TODAY + timedelta(days=5))
    by_day = load.minutes_by_day(new).sel(branch="b", role="vet")
    assert float(by_day.isel(week=0, weekday=5)) > 0.0
    assert float(by_day.isel(week=2, weekday=5)) == 0.0


def test_changes_that_cannot_be_are_refused(plan, given):
    """A branch nobody planned, days that end before they begin, more than all visits."""
    person = given.staff[0]
    with pytest.raises(StaffingError, match="'c' was asked, which is not planned"):
        changed(plan, given, OtherHours("c", 1.0))
    with pytest.raises(StaffingError, match="first day must not be after"):
        changed(plan, given, BranchClosed("b", TODAY, TODAY - timedelta(days=1)))
    with pytest.raises(StaffingError, match="0 to 100 %"):
        changed(plan, given, Campaign(1.5, 1))
    with pytest.raises(StaffingError, match="not planned"):
        changed(plan, given, Campaign(0.5, 1, branch="c"))
    with pytest.raises(StaffingError, match="skill"):
        changed(plan, given, OneMore(replace(person, skills=("surgeon",))))
