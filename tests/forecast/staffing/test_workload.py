"""Patterns of past visits, and the load they make of an issue's draws."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from small_desk import hours, inputs, staff_of

from forecast.staffing.desk_numbers import (
    DOSE,
    FLARE,
    OTHER,
    PHONE,
    RECHECK,
    Minutes,
    StaffingError,
    default_minutes,
    prices_from,
    table,
)
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.patterns import learn_patterns, roles_of
from forecast.staffing.workload import load_that_came, workload_of
from models.weeks import week_range

TODAY = date(2026, 3, 2)


def past_visits(n_weeks=60):
    """Each week: 2 flares at a, 1 at b (region r); a recheck of each 3 weeks later; 10 others.

    Flares are on Mondays, everything else on Tuesdays; of region s nothing but others, all at b.
    """
    rows = []
    for k in range(n_weeks):
        monday = TODAY - timedelta(weeks=k + 1)
        for n, branch in enumerate(("a", "a", "b")):
            dog = f"{k}-{n}"
            rows.append((monday, branch, dog, "itch flare", "r"))
            recheck = monday + timedelta(days=22)
            if recheck < TODAY:
                rows.append((recheck, branch, dog, "recheck", "r"))
        rows += [(monday + timedelta(days=1), "a", None, "other", "r")] * 6
        rows += [(monday + timedelta(days=1), "b", None, "other", "r")] * 2
        rows += [(monday + timedelta(days=1), "b", None, "other", "s")] * 2
    frame = pd.DataFrame(rows, columns=["date", "branch", "dog", "kind", "region"])
    frame["date"] = pd.to_datetime(frame["date"])
    return roles_of(frame, flare_free_days=28)


@pytest.fixture(scope="module")
def patterns():
    return learn_patterns(past_visits(), hours("a", "b"), regions=["r", "s"], today=TODAY)


def issued(flares, others, *, n_weeks=6, n_draws=30):
    """Return what an issue holds of regions r and s, the same in each draw and week."""
    weeks = pd.DatetimeIndex(week_range(TODAY, n_weeks))
    shape = (2, n_weeks, n_draws)
    dims = ("region", "week", "draw")
    values = {"visits": flares, "consultations": others}
    return xr.Dataset(
        {
            name: (dims, np.broadcast_to(np.reshape(level, (2, 1, 1)), shape).astype(float))
            for name, level in values.items()
        },
        coords={"region": ["r", "s"], "week": weeks},
    )


def test_branches_share_a_region_as_they_did(patterns):
    """Two thirds of r's flares were seen at a; of s there were none, so its volume decides."""
    flare = patterns.flare_share
    assert float(flare.sel(branch="a", region="r")) == pytest.approx(2 / 3)
    assert float(flare.sel(branch="b", region="s")) == pytest.approx(1.0)
    # a: 6 others and two rechecks of the 8 and 3 (rechecks of the newest 3 weeks are to come)
    assert float(patterns.volume_share.sel(branch="b", region="s")) == 1.0
    assert float(patterns.volume_share.sel(region="r").sum()) == pytest.approx(1.0)


def test_rechecks_are_learned_with_their_delay(patterns):
    """One each, in the fourth week's Tuesday: three weeks after the flare's week."""
    assert patterns.rechecks_each == pytest.approx(1.0)
    assert float(patterns.recheck_lag.sel(lag=3)) == pytest.approx(1.0)
    told = {one.what: one for one in patterns.told}
    assert told["rechecks a flare visit causes"].source == "visits"


def test_few_flares_leave_the_table_in_charge():
    """Of ten weeks, one has flares older than nine weeks: the table's number, and it says so."""
    found = learn_patterns(past_visits(10), hours("a", "b"), regions=["r", "s"], today=TODAY)
    assert found.rechecks_each == table().number("pattern.recheck_probability")
    told = {one.what: one for one in found.told}["rechecks a flare visit causes"]
    assert (told.source, told.why) == ("table", "only 6 flare visits are old enough to tell")


def test_weekdays_are_those_seen_on_days_it_opens(patterns):
    """All on Monday and Tuesday; few visits lean on the practice, never on closed days."""
    share = patterns.weekday_share.sel(branch="a")
    assert float(share.sum()) == pytest.approx(1.0)
    assert float(share.isel(weekday=[5, 6]).sum()) == 0.0
    assert float(share.isel(weekday=[0, 1]).sum()) == pytest.approx(1.0)
    # Mondays are flares: 120 of a's 594 visits, 180 of all 951 (180, 600 others, 171 rechecks)
    own, usual, n = 120 / 594, 180 / 951, 594
    assert float(share.isel(weekday=0)) == pytest.approx((n * own + 200 * usual) / (n + 200))


def test_no_visit_at_all_is_refused():
    """Without a past there is nothing to share a region's visits by."""
    with pytest.raises(StaffingError, match="no visit there from "):
        learn_patterns(past_visits(), hours("c"), regions=["r"], today=TODAY)


def test_nothing_counts_twice(patterns):
    """Flares are shared out whole; rechecks are those of flares, not those of the volume too."""
    given = inputs(["a", "b"], staff_of("a"))
    weeks = [TODAY + timedelta(weeks=n) for n in range(6)]
    load = workload_of(issued([9, 0], [30, 10]), patterns, given, weeks=weeks, seed=[1])
    visits = load.visits
    np.testing.assert_array_equal(visits.sel(kind=FLARE).sum("branch").values, 9.0)
    recheck = visits.sel(kind=RECHECK).sum("branch")
    # weeks 0 to 2 follow the 3 flares a week of the past, from week 3 on the 9 that were drawn
    np.testing.assert_array_equal(recheck.isel(week=slice(0, 3)).values, 3.0)
    np.testing.assert_array_equal(recheck.isel(week=slice(3, None)).values, 9.0)
    volume = visits.sel(kind=[OTHER, DOSE]).sum(("kind", "branch"))
    # 40 consultations less the share that were rechecks: 57 x 3 of them, 60 x 10 others
    assert float(volume.mean()) == pytest.approx(40 * 600 / 771, rel=0.02)
    # 4 of 10 times as many calls again as visits
    calls = visits.sel(kind=PHONE).sum() / visits.sel(kind=[FLARE, RECHECK, DOSE, OTHER]).sum()
    assert float(calls) == pytest.approx(table().number("pattern.calls_a_visit"), rel=0.02)


def test_one_draw_is_one_future_in_all_branches(patterns):
    """What one branch of a region gets the other does not; the same seed gives the same load."""
    given = inputs(["a", "b"], staff_of("a"))
    weeks = [TODAY]
    one, again = (
        workload_of(issued([9, 0], [30, 10]), patterns, given, weeks=weeks, seed=[1])
        for _ in range(2)
    )
    xr.testing.assert_identical(one.visits, again.visits)
    flares = one.visits.sel(kind=FLARE).isel(week=0)
    np.testing.assert_array_equal((flares.sel(branch="a") + flares.sel(branch="b")).values, 9.0)
    assert float(flares.sel(branch="a").var()) > 0.0


def test_signed_plans_count_where_they_are_more(patterns):
    """Forty doses in one week at b: not forty and the usual ones; days elsewhere change nothing."""
    day = TODAY + timedelta(days=8)
    given = inputs(
        ["a", "b"], staff_of("a"), planned_doses=((day, "b"),) * 40 + ((day, "elsewhere"),)
    )
    weeks = [TODAY + timedelta(weeks=n) for n in range(3)]
    load = workload_of(issued([9, 0], [30, 10]), patterns, given, weeks=weeks, seed=[1])
    doses = load.visits.sel(kind=DOSE, branch="b")
    np.testing.assert_array_equal(doses.isel(week=1).values, 40.0)
    assert float(doses.isel(week=0).max()) < 40.0


def test_minutes_are_visits_times_minutes(patterns):
    """By hand for one draw; the desk's own minutes of a branch come before the table's."""
    own = (*default_minutes(), Minutes(FLARE, "vet", 33.0, branch="b", source="desk"))
    given = inputs(["a", "b"], staff_of("a"), minutes=own)
    load = workload_of(issued([9, 0], [30, 10]), patterns, given, weeks=[TODAY], seed=[1])
    one = load.visits.isel(draw=0, week=0).sel(branch="b")
    missed = load.missed.isel(draw=0, week=0).sel(branch="b")
    each = {FLARE: 33, RECHECK: 12, DOSE: 3, OTHER: 15}
    by_hand = sum(float(one.sel(kind=k)) * n for k, n in each.items())
    by_hand += 0.3 * sum(float(missed.sel(kind=k)) * n for k, n in each.items())
    found = load.minutes.isel(draw=0, week=0).sel(branch="b", role="vet")
    assert float(found) == pytest.approx(by_hand)
    assert float(missed.sel(kind=FLARE)) == 0.0  # whoever calls for an itching dog comes


def test_a_closed_day_gives_its_share_to_the_others(patterns):
    """Monday closed: all of the week lies on the other days, nothing is lost."""
    open_hours = hours("a", "b", closed=frozenset([TODAY]))
    given = StaffingInputs(staff=tuple(staff_of("a")), hours=open_hours)
    weeks = [TODAY, TODAY + timedelta(weeks=1)]
    load = workload_of(issued([9, 0], [30, 10]), patterns, given, weeks=weeks, seed=[1])
    by_day = load.minutes_by_day(given)
    assert float(by_day.isel(week=0, weekday=0).sum()) == 0.0
    assert float(by_day.isel(week=1, weekday=0).sum()) > 0.0
    xr.testing.assert_allclose(by_day.sum("weekday"), load.minutes.mean("draw"))


def test_a_closed_branch_leaves_its_region_s_visits_to_the_open_ones(patterns):
    """An issue's visits are what closures leave: the week a is closed all of r's come to b."""
    week = frozenset(TODAY + timedelta(days=n) for n in range(7))
    given = StaffingInputs(staff=tuple(staff_of("a")), hours=hours("a", "b"))
    closed = {"a": replace(given.hours["a"], closed=week), "b": given.hours["b"]}
    weeks = [TODAY, TODAY + timedelta(weeks=1)]
    flares = (
        workload_of(
            issued([9, 0], [30, 10]), patterns, replace(given, hours=h), weeks=weeks, seed=[1]
        ).visits.sel(kind=FLARE)
        for h in (given.hours, closed)
    )
    usual, shut = flares
    assert shut.isel(week=0).sel(branch="a").sum() == 0
    assert (shut.isel(week=0).sel(branch="b") == 9).all()
    assert usual.isel(week=0).sel(branch="a").sum() > 0
    assert shut.isel(week=1).sel(branch="a").sum() > 0


def test_last_year_is_one_draw(patterns):
    """Four weeks a year ago, three flares a week, under the names of the weeks ahead."""
    given = inputs(["a", "b"], staff_of("a"))
    weeks = [TODAY + timedelta(weeks=n) for n in range(4)]
    load = workload_of(issued([9, 0], [30, 10]), patterns, given, weeks=weeks, seed=[1])
    ago = [week - timedelta(weeks=52) for week in weeks]
    came = load_that_came(patterns.seen, load, given, weeks=ago)
    assert came.weeks == load.weeks
    np.testing.assert_array_equal(came.visits.sel(kind=FLARE).sum("branch").values, [[3.0] * 4])
    before = [week - timedelta(weeks=80) for week in weeks]
    assert load_that_came(patterns.seen, load, given, weeks=before) is None


def test_what_the_issue_does_not_hold_is_refused(patterns):
    """Weeks beyond it, an issue without draws, a region without visits."""
    given = inputs(["a", "b"], staff_of("a"))
    one = issued([9, 0], [30, 10])
    with pytest.raises(StaffingError, match="ask for fewer weeks"):
        workload_of(one, patterns, given, weeks=[TODAY + timedelta(weeks=9)], seed=[1])
    with pytest.raises(StaffingError, match="holds no draws of visits"):
        workload_of(one.drop_vars("visits"), patterns, given, weeks=[TODAY], seed=[1])
    unknown = one.where(one["region"] != "s")
    with pytest.raises(StaffingError, match="no visits of s"):
        workload_of(unknown, patterns, given, weeks=[TODAY], seed=[1])


def test_inputs_that_cannot_be_are_refused():
    """No hours, a skill nobody knows, hours below zero, a price that is none."""
    with pytest.raises(StaffingError, match="no branch has opening hours"):
        inputs([], [])
    nurse = staff_of("a")[0]
    with pytest.raises(StaffingError, match="skill 'surgeon'"):
        inputs(["a"], [type(nurse)("x", ("surgeon",), "a", 40.0)])
    with pytest.raises(StaffingError, match="-3 hours"):
        inputs(["a"], [type(nurse)("x", ("vet",), "a", -3.0)])
    with pytest.raises(StaffingError, match="is no price"):
        prices_from({"locum": 3.0})
    told = prices_from({"locum_hour vet": 90.0}, currency="KRW")
    assert told.locum_hour["vet"] == 90.0
    assert "locum_hour vet" not in told.from_table
    assert "locum_hour desk" in told.from_table
