"""The roster's programme beside every roster there could be, on cases small enough to try all."""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
import pytest
from scipy.optimize import linprog

from forecast.staffing.programme import solve_week
from forecast.staffing.week_problem import WeekProblem, Worker

PRICE = {"visit": 30.0, "locum": np.array([300.0, 150.0]), "overtime": np.array([1.0, 0.5])}


def worker(options, *, home=0, due=3, extra=0, **more):
    given = {
        "options": options,
        "home": home,
        "due": due,
        "most_extra": extra,
        "most_days": 5,
        "most_away": 2,
        "days": ((frozenset({0}), 5), (frozenset({1}), 2), (frozenset({0, 1}), 5)),
        "minutes": (100.0,) * len(options),
        "overtime": 10.0,
        "extra_price": 120.0,
        "away_price": 25.0,
    }
    return Worker(**(given | more))


def problem(seed, *, workers, least=0.0, locums=1.0):
    """Two branches, two roles, three futures."""
    rng = np.random.default_rng(seed)
    visits = rng.integers(10, 45, size=(3, 2)).astype(float)
    minutes = np.array([12.0, 9.0])
    first = np.full((3, 2, 2), 20.0)
    return WeekProblem(
        workers=tuple(workers),
        need=visits[:, :, None] * minutes + first,
        first=first,
        visits=visits,
        least=np.full((2, 2), least) * [1.0, 0.0],
        locum_most=np.full((2, 2), locums),
        locum_minutes=np.array([100.0, 100.0]),
        locum_price=np.tile(PRICE["locum"], (2, 1)),
        overtime_price=PRICE["overtime"],
        visit_price=np.full(2, PRICE["visit"]),
    )


def later(one, held, overtime):
    """Return what the second stage costs: a linear programme a branch and future."""
    return sum(_solved(one, branch, held[branch], overtime[branch]) for branch in range(2))


def _solved(one, branch, held, overtime):
    cost = 0.0
    for future in range(3):
        each = (one.need[future, branch] - one.first[future, branch]) / one.visits[future, branch]
        # overtime of each role, visits without room
        found = linprog(
            [*one.overtime_price, one.visit_price[branch]],
            A_ub=-np.array([[1.0, 0.0, each[0]], [0.0, 1.0, each[1]]]),
            b_ub=-(one.need[future, branch] - held),
            bounds=[(0, overtime[0]), (0, overtime[1]), (0, None)],
        )
        cost += found.fun / 3
    return cost


def every_roster(one):
    """Return the least cost of all whole numbers of shifts and locums, tried one by one."""
    best = np.inf
    own = []
    for w in one.workers:
        allowed = []
        for shifts in product(*(range(w.most_days + 1) for _ in w.options)):
            placed = list(zip(shifts, w.options, strict=True))
            away = sum(n for n, (b, _) in placed if b != w.home)
            fits = all(sum(n for n, (b, _) in placed if b in s) <= most for s, most in w.days)
            if (
                sum(shifts) <= min(w.due + w.most_extra, w.most_days)
                and away <= w.most_away
                and fits
            ):
                more = max(sum(shifts) - w.due, 0)
                allowed.append((shifts, more * w.extra_price + away * w.away_price))
        own.append(allowed)
    of_branch = cache(lambda branch, held, overtime: _solved(one, branch, held, overtime))
    locums = list(product(*(range(int(n) + 1) for n in one.locum_most.ravel())))
    for chosen in product(*own):
        held, overtime = np.zeros((2, 2)), np.zeros((2, 2))
        people = np.zeros((2, 2))
        for w, (shifts, _) in zip(one.workers, chosen, strict=True):
            for n, (b, r) in zip(shifts, w.options, strict=True):
                held[b, r] += n * 100.0
                overtime[b, r] += n * w.overtime
                people[b, r] += n
        now = sum(price for _, price in chosen)
        if now >= best:
            continue
        for booked in locums:
            z = np.reshape(booked, (2, 2))
            paid = now + float((z * one.locum_price).sum())
            if paid >= best or np.any(people + z < one.least):
                continue
            least = paid + sum(
                of_branch(branch, tuple(held[branch] + z[branch] * 100.0), tuple(overtime[branch]))
                for branch in range(2)
            )
            best = min(best, least)
    return best


@pytest.mark.parametrize("seed", [1, 2])
def test_it_finds_the_best_of_every_roster(seed):
    """One who can work at both branches, one technician; locums at one branch may be booked."""
    one = problem(
        seed, workers=[worker(((0, 0), (1, 0)), due=2, extra=1), worker(((0, 1),), due=2)]
    )
    one = WeekProblem(**(vars(one) | {"locum_most": np.array([[0.0, 0.0], [1.0, 1.0]])}))
    found = solve_week(one, gap=0.0, seconds=60)
    assert found.cost == pytest.approx(every_roster(one), rel=1e-6)
    assert found.bound == pytest.approx(found.cost, rel=1e-6)


def test_somebody_must_be_there_though_it_costs_more():
    """A vet at each branch on two days: without that, nobody would be sent."""
    workers = [worker(((0, 0), (1, 0)), due=3)]
    free = problem(3, workers=workers, locums=0.0)
    calm = WeekProblem(**(vars(free) | {"need": free.first}))  # nobody calls
    assert solve_week(calm, gap=0.0, seconds=60).shifts == ((0, 0),)
    # the limit of two shifts away leaves room for one at home
    held = WeekProblem(**(vars(calm) | {"least": np.array([[1.0, 0.0], [2.0, 0.0]])}))
    found = solve_week(held, gap=0.0, seconds=60)
    assert found.shifts == ((1, 2),)
    assert found.missing.sum() == 0


def test_who_is_missing_is_said_where_it_cannot_hold():
    """Three shifts are asked of each branch, one person has three: three are missing."""
    one = problem(4, workers=[worker(((0, 0), (1, 0)), due=3)], least=3.0, locums=0.0)
    assert solve_week(one, gap=0.0, seconds=60).missing[:, 0].sum() == 3


def test_what_is_missing_is_in_no_cost_and_hides_no_gap():
    """With three people missing the rest is still the best: as if only those had been asked for."""
    one = problem(4, workers=[worker(((0, 0), (1, 0)), due=3)], least=3.0, locums=1.0)
    found = solve_week(one, gap=0.01, seconds=60)
    assert found.missing.sum() == 1  # a person of three shifts and a locum at each branch
    asked = WeekProblem(**(vars(one) | {"least": one.least - found.missing}))
    assert found.cost == pytest.approx(solve_week(asked, gap=0.0, seconds=60).cost, rel=0.01)
    assert found.cost < 1e5


def test_weighing_futures_beats_the_mean_on_those_futures():
    """The two-stage roster costs no more over the futures than the one planned on their mean."""
    one = problem(5, workers=[worker(((0, 0), (1, 0)), due=2, extra=1)], locums=1.0)
    mean = WeekProblem(
        **(
            vars(one)
            | {key: getattr(one, key).mean(axis=0, keepdims=True) for key in ("need", "first")}
            | {"visits": one.visits.mean(axis=0, keepdims=True)}
        )
    )
    ours, theirs = (solve_week(p, gap=0.0, seconds=60) for p in (one, mean))

    def cost(solution):
        held, overtime, now = solution.locums * 100.0, np.zeros((2, 2)), 0.0
        for w, shifts, extra in zip(one.workers, solution.shifts, solution.extra, strict=True):
            now += extra * w.extra_price
            for n, (b, r) in zip(shifts, w.options, strict=True):
                held[b, r] += n * 100.0
                overtime[b, r] += n * w.overtime
                now += w.away_price * n * (b != w.home)
        return now + float((solution.locums * one.locum_price).sum()) + later(one, held, overtime)

    assert cost(ours) == pytest.approx(ours.cost, rel=1e-6)
    assert cost(ours) <= cost(theirs) + 1e-6
