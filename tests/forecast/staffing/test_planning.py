"""Overflow, roster, slots, stock, money and what-if on small desks; expected numbers by hand."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from small_desk import MONDAY, hours, inputs, staff_of, workload

from forecast.regions import Branch, parse_opening
from forecast.staffing import rostering
from forecast.staffing.desk_numbers import OTHER, PHONE
from forecast.staffing.inputs import BranchHours, StaffingInputs, StaffMember, StockItem, StockLot
from forecast.staffing.money import compare, cost_line
from forecast.staffing.overflow import capacity_of, load_weeks, meet, service_levels, waiting_weeks
from forecast.staffing.planning import short_contracts
from forecast.staffing.programme import ProgrammeError, solve_week
from forecast.staffing.roster import days_of_leave, shifts_due
from forecast.staffing.rostering import mean_load, nothing_done, plan_roster
from forecast.staffing.slots import free_slots, phone_people
from forecast.staffing.stock import count_notes, order_stock
from forecast.staffing.week_desk import RosterRules, WeekDesk

QUICK = RosterRules(gap=0.01, seconds=60.0, branch_futures=40, fairness=0.15)


@pytest.fixture(scope="module")
def given():
    """Two branches; at b half as many again come, which its people cannot hold."""
    names = ["a", "b"]
    staff = [*staff_of("a", others=["b"], vets=2), *staff_of("b", others=["a"], technicians=2)]
    return inputs(names, staff)


@pytest.fixture(scope="module")
def load(given):
    return workload(given, counts={"b": 1.5})


@pytest.fixture(scope="module")
def planned(load, given):
    return plan_roster(load, given, rules=QUICK)


def test_capacity_is_shifts_times_what_can_be_booked(load, given):
    """Five shifts of eight hours, eight tenths bookable: 1,920 minutes; four hours of overtime."""
    capacity, overtime = capacity_of(nothing_done(load, given), load, given)
    assert float(capacity.sel(role="vet", branch="b").isel(week=0)) == pytest.approx(1920.0)
    assert float(capacity.sel(role="vet", branch="a").isel(week=0)) == pytest.approx(3840.0)
    assert float(overtime.sel(role="vet", branch="b").isel(week=0)) == pytest.approx(240.0)


def test_nobody_is_booked_while_the_branch_is_closed(load, given):
    """Open five hours (nine less four) holds five, though shifts have eight."""
    short = StaffingInputs(staff=given.staff, hours=hours("a", "b", hours_more=-4.0))
    capacity, _ = capacity_of(nothing_done(load, short), load, short)
    assert float(capacity.sel(role="vet", branch="b").isel(week=0)) == pytest.approx(5 * 5 * 48.0)


def test_a_known_shortage_is_found(load, given):
    """B wants some 2,500 vet minutes a week and has 2,160; a has twice what it wants."""
    met = meet(load, nothing_done(load, given), given)
    weeks = load_weeks(load, met, given, service=0.9)
    odds = {(w.branch, w.week, w.role): w.overflow_odds for w in weeks}
    assert odds["b", MONDAY, "vet"] > 0.8
    assert odds["a", MONDAY, "vet"] == 0.0
    assert odds["b", MONDAY, "technician"] < 0.2  # two of them
    one = next(w for w in weeks if (w.branch, w.week, w.role) == ("b", MONDAY, "vet"))
    held = (load.minutes.sel(role="vet", branch="b").isel(week=0).values / 60) <= one.hours_to_hold
    assert held.mean() >= 0.9
    assert one.low < one.middle < one.high


def test_what_waits_adds_to_the_next_week(load, given):
    """At b more waits after the second week than after the first; at a nobody."""
    found = {
        (w.branch, w.week): w for w in waiting_weeks(meet(load, nothing_done(load, given), given))
    }
    second = MONDAY + timedelta(weeks=1)
    assert found["b", second].waiting > found["b", MONDAY].waiting > 0.0
    assert found["a", second].waiting == 0.0


def test_a_role_is_not_short_because_visits_wait_for_another():
    """One vet, a technician with time for each week: visits pile up for the vet alone."""
    given = inputs(["a"], staff_of("a"), locum_shifts={})
    load = mean_load(workload(given, counts={"a": 1.6}, n_weeks=6, spread=0.0))
    met = meet(load, nothing_done(load, given), given)
    technician = met.need.sel(role="technician")
    held = met.capacity.sel(role="technician") + 240  # with its overtime
    assert float((technician > held).mean()) > 0.5  # what waits would need more
    assert bool((load.minutes.sel(role="technician") <= held).all())
    assert float(met.over.sel(role="technician").mean()) == 0.0
    assert float(met.over.sel(role="vet").mean()) == 1.0


def test_the_plan_sends_people_where_they_are_wanted(load, given, planned):
    """The second vet of a goes to b, within the limit of shifts away; overflow falls."""
    sent = [s for s in planned.shifts if s.is_away and s.role == "vet"]
    assert sent
    assert {s.branch for s in sent} == {"b"}
    ours, theirs = meet(load, planned, given), meet(load, nothing_done(load, given), given)
    assert float(ours.over.mean()) < float(theirs.over.mean())
    costs = compare([(planned, ours), (nothing_done(load, given), theirs)], given)
    assert costs.lines[0].total < costs.lines[1].total
    assert costs.differences[0].mean == pytest.approx(costs.lines[0].total - costs.lines[1].total)


def test_every_limit_holds(given, planned):
    """One shift a day, contract and away limits, nobody on a closed day; contracts are worked."""
    for person in given.staff:
        own = [s for s in planned.shifts if s.person == person.id]
        for week in planned.weeks:
            here = [s for s in own if week <= s.day < week + timedelta(days=7)]
            assert len({s.day for s in here}) == len(here) == 5
            assert sum(s.is_away for s in here) <= 3
            assert all(s.day.weekday() < 5 and s.role in person.skills for s in here)
    for week in planned.weeks:
        for n in range(5):
            day = week + timedelta(days=n)
            assert {s.branch for s in planned.shifts if s.day == day and s.role == "vet"} == {
                "a",
                "b",
            }


def test_leave_takes_days_of_the_contract():
    """Two of five days away leave three shifts, on the other days."""
    away = (MONDAY, MONDAY + timedelta(days=1))
    person = StaffMember("x", ("vet",), "a", 40.0, leave=(away,))
    assert days_of_leave(person, MONDAY) == 2
    assert shifts_due(person, MONDAY) == 3
    given = inputs(["a"], [person, *staff_of("a", vets=0)])
    roster = nothing_done(workload(given, n_weeks=1), given)
    own = sorted(s.day for s in roster.shifts if s.person == "x")
    assert own == [MONDAY + timedelta(days=n) for n in (2, 3, 4)]


def test_a_shift_on_a_short_day_is_as_long_as_the_branch_opens():
    """Open from 9 to 12 on Saturday: three hours of a locum at 75 are paid there, not eight."""
    opening = parse_opening("sat 9:00-12:00")
    shut = Branch("a", "a", "a", *opening)
    given = StaffingInputs(staff=(), hours={"a": BranchHours(shut)}, locum_shifts={"vet": 1})
    load = workload(given, n_weeks=1, n_draws=5)
    roster = plan_roster(load, given, rules=QUICK)
    (one,) = roster.shifts
    assert (one.day, one.role, one.hours) == (MONDAY + timedelta(days=5), "vet", 3.0)
    assert cost_line(roster, meet(load, roster, given), given).locums == 3 * 75
    problem = WeekDesk(load, given, QUICK).problem(0, Counter(), np.zeros(1))
    assert problem.locum_price[0, 0] == 3 * 75


def test_a_contract_of_less_than_a_shift_is_said():
    """Six hours a week where shifts have eight; nobody is named."""
    few = StaffMember("x", ("vet",), "a", 6.0)
    (note,) = short_contracts(inputs(["a"], [few, StaffMember("y", ("vet",), "a", 8.0)]))
    assert note.sentence.startswith("a: 1 contract holds fewer hours a week than one shift")


def test_other_terms_from_a_day_on_are_one_person_paid_once():
    """Four hours a day to Wednesday of the second week, eight after; two weeks by hand.

    Twenty hours the first week, 3/7 of 20 and 4/7 of 40 the second; never two shifts on a day.
    """
    change = MONDAY + timedelta(days=10)
    before = StaffMember(
        "x", ("vet",), "a", 20.0, shift_hours=4.0, last_day=change - timedelta(days=1)
    )
    after = StaffMember("x", ("vet",), "a", 40.0, shift_hours=8.0, first_day=change)
    given = inputs(["a"], [before, after])
    load = workload(given, n_draws=3)
    roster = nothing_done(load, given)
    line = cost_line(roster, meet(load, roster, given), given)
    assert line.wages == pytest.approx(40 * (20 + 20 * 3 / 7 + 40 * 4 / 7))
    own = [s for s in roster.shifts if s.person == "x"]
    assert len({s.day for s in own}) == len(own) == 10
    assert [s.hours for s in sorted(own, key=lambda s: s.day)] == [4.0] * 8 + [8.0] * 2


def test_what_cannot_hold_is_named():
    """The only vet is away, one locum shift a week is to be had: four days are without."""
    week = (MONDAY, MONDAY + timedelta(days=4))
    alone = StaffMember("x", ("vet",), "a", 40.0, leave=(week,))
    given = inputs(["a"], [alone], locum_shifts={"vet": 1})
    load = workload(given, n_weeks=2, n_draws=10)
    roster = plan_roster(load, given, rules=QUICK)
    (one,) = roster.unheld
    assert (one.branch, one.week, one.role) == ("a", MONDAY, "vet")
    assert "takes 5 shifts, 1 can be had" in one.sentence
    assert "1 of them on leave" in one.sentence
    assert (
        sum(
            s.person is None and s.role == "vet"
            for s in roster.shifts
            if s.day < MONDAY + timedelta(7)
        )
        == 1
    )


def test_burdens_of_peak_weeks_are_shared():
    """Two vets alike can be sent: over many weeks neither is sent much more than the other."""
    given = inputs(
        ["a", "b"], [*staff_of("a", others=["b"], vets=3), *staff_of("b", technicians=2)]
    )
    load = workload(given, counts={"a": 1.2, "b": 1.5}, n_weeks=8, n_draws=20)
    roster = plan_roster(load, given, rules=replace(QUICK, fairness=0.5))
    had = [roster.burden[f"a vet {n}"] for n in range(3)]
    assert sum(had) >= 2
    assert max(had) - min(had) <= 1
    assert len(roster.peak_weeks) == 2


def test_the_gap_and_the_time_are_told(planned):
    """Two weeks, both within what was asked."""
    told = planned.solution
    assert (told.n_weeks, told.n_within) == (2, 2)
    assert told.gap <= 0.01
    assert "best possible" in told.sentence


def test_no_time_leaves_contracts_and_says_so(load, given, monkeypatch):
    """Where a week finds no roster the desk still has one, and reads that nothing was found."""

    def never(*_, **__):
        raise ProgrammeError("no time")

    monkeypatch.setattr(rostering, "solve_week", never)
    roster = plan_roster(load, given, rules=QUICK)
    assert roster.shifts == nothing_done(load, given).shifts
    assert roster.solution.sentence.endswith("for 2 there was time for contracts alone")


def test_a_mean_has_one_draw(load):
    """Visits of the mean are the mean of visits."""
    mean = mean_load(load)
    assert mean.visits.sizes["draw"] == 1
    assert float(mean.minutes.sum()) == pytest.approx(float(load.minutes.mean("draw").sum()))


def test_costs_by_hand(given):
    """One of each role at one branch: wages, overtime and lost visits of one draw."""
    alone = inputs(["a"], staff_of("a"))
    load = workload(alone, n_weeks=1, n_draws=1, counts={"a": 1.6})
    roster = nothing_done(load, alone)
    met = meet(load, roster, alone)
    line = cost_line(roster, met, alone)
    assert line.wages == pytest.approx(40 * (40 + 20 + 16))
    vet = float(load.minutes.sel(role="vet").sum())
    assert vet > 1920 + 240
    share = (1920 + 240) / vet  # phone calls take no vet, nobody was missed
    came = {k: float(load.visits.sel(kind=k).sum()) for k in load.bookable["kind"].values}
    unseen = {k: (1 - share) * n for k, n in came.items()}
    lost = sum(0.35 * unseen[k] * alone.prices.turned_away[k] for k in unseen)
    assert line.turned_away == pytest.approx(lost)
    assert line.waiting == pytest.approx(10 * 0.65 * sum(unseen.values()))
    assert line.total == pytest.approx(line.wages + line.overtime + line.turned_away + line.waiting)
    assert line.visits_turned_away == pytest.approx(0.35 * sum(unseen.values()))


def test_hours_to_hold_follow_the_practices_own_costs(load, given):
    """An hour of a vet that costs more when idle is held less often; a level asked is kept."""
    dear = replace(given.prices, idle_hour={**given.prices.idle_hour, "vet": 400.0})
    usual, less = (service_levels(load, p, service=None)["vet"] for p in (given.prices, dear))
    assert 0.0 < less < usual < 1.0
    assert set(service_levels(load, dear, service=0.9).values()) == {0.9}


def test_slots_are_the_quantile_of_urgent_flares(load, given):
    """Six tenths of some six flares on five days: about 0.7 a day at a, two slots in 9 of 10."""
    slots = free_slots(load, given, service=0.9, seed=[1])
    own = [s for s in slots if s.branch == "a"]
    assert len(own) == 10
    assert np.mean([s.asked for s in own]) == pytest.approx(0.6 * 6 / 5, rel=0.15)
    assert {s.slots for s in own} <= {1, 2, 3}
    fewer = free_slots(load, given, service=0.5, seed=[1])
    assert sum(s.slots for s in fewer) < sum(s.slots for s in slots)


def test_people_at_the_telephone(load):
    """Some 180 calls, a fifth on a day, 16 % of them in an hour: six of four minutes."""
    one = phone_people(load)[0]
    high = float(np.quantile(load.visits.sel(kind=PHONE, branch="a").isel(week=0), 0.9))
    assert one.calls_an_hour == pytest.approx(high * 0.2 * 0.16)
    assert one.people == 2
    # load A of two servers: C = A^2 / (2 + A), from the delay formula
    a = one.calls_an_hour * 4 / 60
    assert one.wait_probability == pytest.approx(a**2 / (2 + a))


def _item(given, *lots, **more):
    told = {"lead_days": 7.0, "pack_size": 10.0, "pack_price": 50.0} | more
    return replace(given, stock=(StockItem("sets", "a", {OTHER: 1.0}, tuple(lots), **told),))


def test_stock_is_ordered_before_it_runs_out(given):
    """Exactly 100 a week: 250 last two weeks; four weeks from the third take 350, 35 packs."""
    load = workload(given, n_weeks=6, n_draws=5)
    steady = replace(load, visits=load.visits.where(load.visits["kind"] != OTHER, 100.0))
    (one,) = order_stock(
        steady, _item(given, StockLot(250.0)), today=MONDAY, service=0.95, seed=[1]
    )
    (order,) = one.orders
    assert order.arrives == MONDAY + timedelta(weeks=2)
    assert order.order_by == MONDAY + timedelta(weeks=1)
    assert (order.packs, order.units, order.price, order.is_late) == (35, 350.0, 1750.0, False)
    assert one.runs_out_odds == 0.0
    assert one.used == (600.0, 600.0, 600.0)
    assert order.runs_out_odds == 1.0


def test_stock_that_comes_too_late_and_stock_that_expires(given):
    """50 on hand and four weeks to wait: late. What expires on Friday is not counted on."""
    load = workload(given, n_weeks=6, n_draws=5)
    steady = replace(load, visits=load.visits.where(load.visits["kind"] != OTHER, 100.0))
    (one,) = order_stock(
        steady, _item(given, StockLot(50.0), lead_days=28.0), today=MONDAY, service=0.95, seed=[1]
    )
    assert [o.is_late for o in one.orders] == [True]
    assert one.orders[0].order_by == MONDAY
    assert one.orders[0].units == 200.0  # the fifth and the sixth week
    assert one.runs_out_odds == 1.0
    lot = StockLot(500.0, expires=MONDAY + timedelta(days=11))
    (two,) = order_stock(steady, _item(given, lot), today=MONDAY, service=0.95, seed=[1])
    assert two.expired == 400.0  # 100 are used in the only whole week
    assert sum(o.units for o in two.orders) == 500.0


def test_a_count_of_long_ago_is_said_and_one_of_yesterday_is_not(given):
    """Nineteen days before the first week planned; fourteen are let pass without a word."""
    counted = MONDAY - timedelta(days=19)
    (told,) = count_notes(_item(given, StockLot(40.0), counted=counted), first_week=MONDAY)
    assert told.branch == "a"
    assert told.sentence == (
        f"a: 1 count of stock lies more than 14 days before the first week planned (the oldest of "
        f"{counted}, sets); but for doses on record, what was used since is not taken off, so "
        "count again before you trust what is to be ordered"
    )
    for days in (14, 1):
        new = _item(given, StockLot(40.0), counted=MONDAY - timedelta(days=days))
        assert count_notes(new, first_week=MONDAY) == []
    assert count_notes(_item(given, StockLot(40.0)), first_week=MONDAY) == []


def test_what_is_used_until_the_first_week_planned_is_taken_off(given):
    """On Friday 205 are there; three days take 43 of 100 a week, so 162 last one week, not two."""
    load = workload(given, n_weeks=6, n_draws=5)
    steady = replace(load, visits=load.visits.where(load.visits["kind"] != OTHER, 100.0))
    told = _item(given, StockLot(205.0))
    for days, weeks in ((0, 2), (3, 1)):
        today = MONDAY - timedelta(days=days)
        (one,) = order_stock(steady, told, today=today, service=0.95, seed=[1])
        assert one.on_hand == 205.0
        assert one.orders[0].arrives == MONDAY + timedelta(weeks=weeks)


def test_doses_on_record_since_the_count_come_off_what_expires_first(given):
    """250 counted and 60 used since: 190 last one week of 100, so it is ordered a week earlier."""
    load = workload(given, n_weeks=6, n_draws=5)
    steady = replace(load, visits=load.visits.where(load.visits["kind"] != OTHER, 100.0))
    soon = StockLot(50.0, expires=MONDAY + timedelta(days=200))
    counted = MONDAY - timedelta(days=3)
    told = _item(given, StockLot(200.0), soon, counted=counted, used_since=60.0)
    (one,) = order_stock(steady, told, today=MONDAY, service=0.95, seed=[1])
    assert one.on_hand == 190.0
    assert [lot.units for lot in told.stock[0].left] == [0.0, 190.0]
    assert one.orders[0].arrives == MONDAY + timedelta(weeks=1)
    (note,) = count_notes(told, first_week=MONDAY)
    assert f"a: 60 doses on record since the count of {counted} came off" in note.sentence
    more = _item(given, StockLot(20.0), counted=counted, used_since=23.0)
    assert sum(lot.units for lot in more.stock[0].left) == 0.0
    assert "only 20 were counted" in count_notes(more, first_week=MONDAY)[0].sentence


def test_stock_keeps_its_service_level(given):
    """Counts that spread: with the order it runs out in no more futures than allowed."""
    load = workload(given, n_weeks=4, n_draws=200)
    (one,) = order_stock(
        load, _item(given, StockLot(150.0), pack_size=1.0), today=MONDAY, service=0.9, seed=[1]
    )
    assert len(one.orders) == 1
    assert one.runs_out_odds <= 0.1


def test_a_visit_without_room_costs_more_where_the_next_week_has_none_either():
    """Three weeks far too full, no help to be had: 31, then .65 of the next week's on top."""
    alone = inputs(["a"], staff_of("a"), locum_shifts={})
    load = workload(alone, n_weeks=3, counts={"a": 3.0}, n_draws=5)
    desk = WeekDesk(load, alone, QUICK)
    none = np.zeros(1)
    last = desk.visit_price(none, none)
    came = {k: float(load.visits.sel(kind=k).mean()) for k in load.bookable["kind"].values}
    lost = sum(came[k] * alone.prices.turned_away[k] for k in came) / sum(came.values())
    assert last[0] == pytest.approx(0.35 * lost + 0.65 * 10)
    problem = desk.problem(2, Counter(), last)
    odds = desk.overflow_odds(2, problem, solve_week(problem, gap=0.0, seconds=60))
    assert odds[0] == 1.0
    assert desk.visit_price(last, odds)[0] == pytest.approx(1.65 * last[0])
