"""The schedule: exact, never too close, never on a closed day, and fairly compared."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.dosing.schedule import (
    DosingProblem,
    at_first_itch,
    best_schedule,
    covered,
    every_interval,
    fixed_dates,
    no_dose,
)
from forecast.dosing.therapies import CoverCurve, DosingError, therapy

START = date(2024, 3, 4)  # a Monday


def make_problem(daily_risk, *, may_dose=None, **changes):
    risk = np.asarray(daily_risk, dtype=float)
    problem = DosingProblem(
        start=START,
        daily_risk=risk,
        may_dose=np.ones(len(risk), dtype=bool) if may_dose is None else np.asarray(may_dose),
        cover=CoverCurve(1, 4, 7),
        minimum_interval=4,
        price=0.3,
        most_doses=9,
    )
    return replace(problem, **changes)


def cost_by_hand(problem, dose_days):
    """Cost of doses on given day numbers, written out day by day and apart from the code."""
    cover = problem.cover
    doses = list(dose_days)
    if problem.last_dose is not None:
        doses.append((problem.last_dose - problem.start).days)
    total = problem.price * len(dose_days)
    for day, risk in enumerate(problem.daily_risk):
        shares = [0.0]
        for dose in doses:
            since = day - dose
            if cover.onset <= since <= cover.full_until:
                shares.append(1.0)
            elif cover.full_until < since < cover.ends_at:
                shares.append((cover.ends_at - since) / (cover.ends_at - cover.full_until))
        total += risk * (1 - max(shares))
    return total


def allowed_by_hand(problem, dose_days):
    days = list(dose_days)
    if problem.last_dose is not None:
        days = [(problem.last_dose - problem.start).days, *days]
    far_enough = all(b - a >= problem.minimum_interval for a, b in pairwise(days))
    return far_enough and all(problem.may_dose[d] for d in dose_days)


def best_by_trying_all(problem):
    costs = [
        cost_by_hand(problem, days)
        for k in range(problem.most_doses + 1)
        for days in combinations(range(problem.n_days), k)
        if allowed_by_hand(problem, days)
    ]
    return min(costs)


small_problems = st.builds(
    lambda risk, seed, onset, price, most, last: make_problem(
        risk,
        may_dose=np.random.default_rng(seed).random(len(risk)) < 0.7,
        cover=CoverCurve(onset, 3, 6),
        price=price,
        most_doses=most,
        last_dose=None if last is None else START - timedelta(days=last),
    ),
    risk=st.lists(st.floats(0, 0.3), min_size=5, max_size=13),
    seed=st.integers(0, 10**6),
    onset=st.integers(0, 3),
    price=st.floats(0, 0.6),
    most=st.integers(0, 3),
    last=st.none() | st.integers(0, 8),
)


@settings(max_examples=150, deadline=None)
@given(small_problems)
def test_no_other_dates_cost_less(problem):
    """Trying every allowed set of dates finds nothing cheaper than the programme's answer."""
    best = best_schedule(problem)
    days = [(d - START).days for d in best.dates]
    assert best.total == pytest.approx(cost_by_hand(problem, days), abs=1e-9)
    assert best.total == pytest.approx(best_by_trying_all(problem), abs=1e-9)


long_problems = st.builds(
    lambda seed, interval, cap, last, price: make_problem(
        np.random.default_rng(seed).random(364) * 0.1,
        may_dose=np.random.default_rng(seed + 1).random(364) < 0.6,
        cover=CoverCurve(1, 28, 49),
        minimum_interval=interval,
        most_doses=cap,
        price=price,
        last_dose=None if last is None else START - timedelta(days=last),
    ),
    seed=st.integers(0, 10**6),
    interval=st.integers(2, 60),
    cap=st.integers(0, 8),
    last=st.none() | st.integers(0, 80),
    price=st.floats(0, 0.4),
)


@settings(max_examples=35, deadline=None)
@given(long_problems)
def test_interval_open_days_and_cap_hold_for_every_schedule(problem):
    """No schedule has two doses too close, a dose on a closed day, or more than the cap."""
    open_days = problem.may_dose
    first, last = START, START + timedelta(days=363)
    for outcome in (
        best_schedule(problem),
        every_interval(problem, open_days, first=first, last=last),
    ):
        given_before = [] if problem.last_dose is None else [problem.last_dose]
        days = [*given_before, *outcome.dates]
        gaps = [(b - a).days for a, b in pairwise(days)]
        assert all(gap >= problem.minimum_interval for gap in gaps)
        assert all(open_days[(d - START).days] for d in outcome.dates)
    assert len(best_schedule(problem).dates) <= problem.most_doses


def test_a_dose_covers_from_onset_in_full_then_down_a_line():
    """Cover is none before onset, whole through day 28, half-way down at 38.5, none from 49."""
    cover = therapy("anti_il31_antibody").cover
    assert [cover.share(d) for d in (0, 1, 28, 49, 60)] == [0.0, 1.0, 1.0, 0.0, 0.0]
    assert cover.share(35) == pytest.approx((49 - 35) / (49 - 28))


def test_no_cover_is_planned_past_the_longest_effect_measured():
    """A cover that ends after day 49 (Michels et al. 2016) is refused."""
    with pytest.raises(DosingError, match="end by day 49"):
        CoverCurve(1, 28, 56)


def test_while_a_new_dose_waits_for_its_onset_the_old_one_still_counts():
    """On the day of a second dose the first one still covers."""
    problem = make_problem([0.1] * 12)
    shares = covered(problem, (START, START + timedelta(days=4)))
    assert shares[4] == 1.0  # day 4 of the first dose, day 0 of the second
    assert shares[0] == 0.0


def test_one_peak_gets_one_dose_just_before_it():
    """With one risky week the dose falls so late that it covers the week in full, and no later."""
    risk = np.zeros(40)
    risk[20:24] = 0.25
    best = best_schedule(make_problem(risk))
    assert best.dates == (START + timedelta(days=19),)
    assert best.uncovered_risk == pytest.approx(0.0)


def test_a_dear_dose_is_not_given():
    """No dose is planned when a dose costs more than it can spare."""
    problem = make_problem([0.01] * 60, price=0.08)  # a dose covers 4 + 2/3 + 1/3 = 5 days
    assert best_schedule(problem).dates == ()
    assert best_schedule(replace(problem, price=0.04)).dates != ()


def test_more_price_never_means_more_doses():
    """Raising the price per dose never adds doses."""
    risk = np.random.default_rng(3).random(120) * 0.1
    counts = [len(best_schedule(make_problem(risk, price=p)).dates) for p in (0, 0.1, 0.2, 0.4)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_a_dose_given_yesterday_counts():
    """A dose already given delays the next one and lowers the risk without any new dose."""
    problem = make_problem([0.1] * 20)
    dosed = replace(problem, last_dose=START - timedelta(days=1))
    assert (best_schedule(dosed).dates[0] - dosed.last_dose).days >= 4
    # days 1-4 in full, 5 and 6 in part: of days 0-5 here the shares are 1 1 1 1 2/3 1/3
    spared = 0.1 * (1 + 1 + 1 + 1 + 2 / 3 + 1 / 3)
    assert no_dose(dosed).total == pytest.approx(no_dose(problem).total - spared)


@pytest.mark.parametrize("planned", [(), (2,), (3, 4, 9)], ids=["none", "one", "three"])
def test_start_at_first_itch_equals_a_tree_of_all_histories(planned):
    """Going back from the end equals walking through every history, planned doses besides or not.

    Of the three planned days the second is too soon after the first and is left out.
    """
    rng = np.random.default_rng(11)
    problem = make_problem(rng.random(11) * 0.5, most_doses=9)
    open_days = np.array([1, 1, 0, 0, 1, 1, 0, 1, 1, 1, 1], dtype=bool)
    delay = 2

    def walk(day, doses, due):
        if day == problem.n_days:
            return 0.0, 0.0
        if due is None and day in planned and day - max(doses, default=-99) >= 4:
            risk, n = walk_on(day, doses, day)
            return risk, n + 1
        return walk_on(day, doses, due)

    def walk_on(day, doses, due):
        given = doses if due is None or due > day else [*doses, due]
        alone = cost_by_hand(replace(problem, price=0.0), given) - cost_by_hand(
            replace(
                problem, price=0.0, daily_risk=np.where(np.arange(11) == day, 0, problem.daily_risk)
            ),
            given,
        )
        on_its_way = due is not None and day < due + problem.cover.onset
        if on_its_way or alone == 0:
            risk, n = walk(day + 1, doses if on_its_way else given, due if on_its_way else None)
            return risk + alone, n
        last = given[-1] if given else -99
        wanted = max(day + delay, last + problem.minimum_interval)
        dates = [d for d in range(wanted, 11) if open_days[d]]
        dates += [d for d in planned if d >= max(day + 1, last + problem.minimum_interval)]
        dates.sort()
        none_risk, none_n = walk(day + 1, given, None)
        due = dates[0] if dates else 99
        flare_risk, flare_n = walk(day + 1, given, due)
        n = (1 if dates else 0) + flare_n
        return (
            alone + alone * flare_risk + (1 - alone) * none_risk,
            alone * n + (1 - alone) * none_n,
        )

    risk, doses = walk(0, [], None)
    dates = tuple(START + timedelta(days=day) for day in planned)
    (outcome,) = at_first_itch(problem, open_days, booking_delay=delay, planned={"both": dates})
    assert outcome.uncovered_risk == pytest.approx(risk)
    assert outcome.expected_doses == pytest.approx(doses)


@pytest.mark.parametrize("cover", [CoverCurve(1, 9, 16), CoverCurve(0, 9, 10), CoverCurve(2, 3, 4)])
def test_plans_weighed_together_come_out_as_each_by_itself(cover):
    """To the bit: what they have alike after their last dates is walked once for all of them."""
    rng = np.random.default_rng(7)
    courses = rng.random((5, 120)) * 0.1
    problem = make_problem(courses.mean(axis=0), cover=cover, minimum_interval=11)
    open_days = rng.random(120) < 0.6
    days = {
        "late": (20, 40, 119),
        "none": (),
        "early": (0, 12),
        "same end": (35, 119),
        "one": (60,),
    }
    plans = {name: problem.dates_of(of) for name, of in days.items()}
    ask = {"booking_delay": 3, "scenarios": courses}
    together = at_first_itch(problem, open_days, planned=plans, **ask)
    alone = [
        at_first_itch(problem, open_days, planned={n: of}, **ask)[0] for n, of in plans.items()
    ]
    assert together == tuple(alone)
    assert len({one.total for one in together}) == len(plans)


def test_start_at_first_itch_without_an_open_day_is_no_dose():
    """With no slot to hold, waiting for the itch leaves exactly what no dose leaves."""
    problem = make_problem([0.05] * 50)
    (outcome,) = at_first_itch(problem, np.zeros(50, dtype=bool), booking_delay=3)
    assert outcome.expected_doses == 0
    assert outcome.uncovered_risk == pytest.approx(no_dose(problem).uncovered_risk)


def test_a_longer_wait_for_the_slot_leaves_more_uncovered():
    """A later slot after the first itch never spares more."""
    problem = make_problem([0.05] * 60)
    risks = [
        at_first_itch(problem, np.ones(60, dtype=bool), booking_delay=delay)[0].uncovered_risk
        for delay in (1, 5, 9)
    ]
    assert risks == sorted(risks)
    assert risks[0] < risks[-1] < no_dose(problem).uncovered_risk


def season_of(weekly, *, chance=1.0):
    """Return a problem with six weeks of season that come with a chance, and its two courses."""
    course = np.zeros(364)
    course[100:142] = weekly / 7
    courses = np.stack([course] * round(10 * chance) + [np.zeros(364)] * round(10 - 10 * chance))
    cover = {"cover": CoverCurve(1, 28, 49), "minimum_interval": 28, "price": 0.7}
    return make_problem(courses.mean(axis=0), **cover), courses


def test_a_sure_season_is_planned():
    """Planned dates win where the season is sure to come."""
    problem, courses = season_of(0.5)
    (hold,) = at_first_itch(problem, np.ones(364, dtype=bool), booking_delay=3, scenarios=courses)
    assert best_schedule(problem).total < hold.total


def test_a_season_that_may_not_come_is_awaited():
    """Waiting for the first itch wins where the season comes in three years of ten."""
    problem, courses = season_of(0.5, chance=0.3)
    best = best_schedule(problem)
    (hold,) = at_first_itch(problem, np.ones(364, dtype=bool), booking_delay=3, scenarios=courses)
    assert best.dates  # one dose spares 37/42 of 0.3 x 6 x 0.5, for 0.7: it would pay ...
    assert hold.total < best.total  # ... and waiting pays more


def test_equal_scenarios_are_the_sure_case():
    """Scenarios that do not differ give what the mean risk gives."""
    problem = make_problem(np.random.default_rng(2).random(80) * 0.2)
    open_days = np.ones(80, dtype=bool)
    same = np.stack([problem.daily_risk] * 4)
    (sure,) = at_first_itch(problem, open_days, booking_delay=2)
    (spread,) = at_first_itch(problem, open_days, booking_delay=2, scenarios=same)
    assert spread.total == pytest.approx(sure.total)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"daily_risk": np.array([0.1, np.nan])}, "risk of nan on 2024-03-05"),
        ({"daily_risk": np.array([0.1, 1.2])}, "between 0 and 1"),
        ({"daily_risk": np.array([0.1])}, "same days"),
        ({"minimum_interval": 1}, "longer than the onset"),
        ({"price": -1.0}, "below 0"),
        ({"last_dose": START + timedelta(days=1)}, "leave booked doses out"),
    ],
)
def test_an_unsafe_problem_is_refused_in_one_sentence(changes, words):
    """Unknown risk, a short interval or a dose from the future is refused, with the reason."""
    with pytest.raises(DosingError, match=words):
        replace(make_problem([0.1, 0.1]), **changes)


def test_fixed_dates_price_every_dose():
    """The total of given dates is what they leave uncovered plus the price of each."""
    problem = make_problem([0.1] * 10)
    outcome = fixed_dates(problem, (START, START + timedelta(days=5)), name="two")
    assert outcome.total == pytest.approx(cost_by_hand(problem, [0, 5]))


def test_a_year_of_one_dog_takes_less_than_50_ms():
    """The best dates of 52 weeks are found in less than 50 ms."""
    rng = np.random.default_rng(5)
    problem = make_problem(
        rng.random(364) * 0.05, cover=CoverCurve(1, 28, 49), minimum_interval=28, price=0.15
    )
    seconds = []
    for _ in range(5):
        begin = time.perf_counter()
        best_schedule(problem)
        seconds.append(time.perf_counter() - begin)
    assert min(seconds) < 0.05
