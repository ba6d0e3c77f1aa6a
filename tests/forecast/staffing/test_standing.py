"""An agreed roster met by a newer forecast: its own odds, what is lost of it, what would change."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from small_desk import MONDAY, hours, inputs, staff_of, workload
from test_what_if import RULES
from test_workload import TODAY, issued, past_visits

from forecast.staffing.inputs import StaffingInputs, StaffMember
from forecast.staffing.money import CostComparison, CostDifference
from forecast.staffing.patterns import learn_patterns
from forecast.staffing.planning import plan_staff, weeks_ahead
from forecast.staffing.roster import Shift
from forecast.staffing.rostering import plan_roster
from forecast.staffing.standing import (
    Agreed,
    Standing,
    lost_notes,
    nobody_there,
    shift_changes,
    still_worked,
)
from forecast.staffing.words import proposal_words
from forecast.staffing.worked import Worked
from models.weeks import monday_of


def a_week(person: str | None, branch: str, *, days=5, monday=MONDAY) -> list[Shift]:
    return [Shift(monday + timedelta(days=n), branch, "vet", 8.0, person) for n in range(days)]


def test_what_cannot_be_worked_any_more_is_taken_out_and_said():
    """On leave on Monday, gone from Thursday on, Friday closed: Tuesday and Wednesday are left."""
    ada = StaffMember(
        *("ada", ("vet",), "a", 40.0),
        leave=((MONDAY, MONDAY),),
        last_day=MONDAY + timedelta(days=2),
    )
    friday = MONDAY + timedelta(days=4)
    given = StaffingInputs((ada,), hours("a", closed=frozenset([friday])))
    agreed = Agreed((*a_week("ada", "a"), Shift(friday, "a", "vet", 8.0)), (MONDAY,))
    left, lost = still_worked(agreed, given)
    assert [one.day.weekday() for one in left.shifts] == [1, 2]
    assert len(lost) == 4
    (note,) = lost_notes(lost, given)
    assert note.branch == "a"
    assert note.sentence.startswith(
        "a: 4 agreed shifts cannot be worked any more (2 Mar vet, 5 Mar vet, 6 Mar vet and 6 Mar "
        "vet), as the person is away"
    )
    (lacking,) = nobody_there(left, given)
    assert "lacks a vet on 2 of its 4 open days (2 Mar and 5 Mar)" in lacking.sentence


def test_two_locums_alike_are_two_shifts():
    one, other = Shift(MONDAY, "a", "vet", 8.0), Shift(MONDAY, "a", "vet", 8.0, "ada")
    assert shift_changes([one, one, other], [one]) == ([], [one, other])
    assert shift_changes([one], [one, one, other]) == ([one, other], [])


@pytest.fixture(scope="module")
def given():
    return inputs(["a", "b"], [*staff_of("a", others=["b"], vets=2), *staff_of("b")])


def test_agreed_weeks_stand_and_the_rest_is_planned(given):
    """The first of two weeks is held though nobody would plan it so: locums on one day alone."""
    load = workload(given, counts={"b": 1.5}, n_draws=6)
    week = tuple(a_week(None, "a", days=1))
    held = plan_roster(load, given, rules=RULES, held=Agreed(week, (MONDAY,)))
    free = plan_roster(load, given, rules=RULES)
    of_week = Counter(monday_of(one.day) for one in held.shifts)
    assert [one for one in held.shifts if monday_of(one.day) == MONDAY] == list(week)
    second = MONDAY + timedelta(weeks=1)
    assert of_week[second] == Counter(monday_of(one.day) for one in free.shifts)[second]
    assert held.solution.n_weeks == 1
    lacking = {(one.branch, one.week) for one in held.unheld}
    assert lacking == {("a", MONDAY), ("b", MONDAY)}
    every = plan_roster(load, given, rules=RULES, held=Agreed(week, tuple(load.weeks)))
    assert every.shifts == week
    assert every.solution is None


def test_a_plan_tells_what_the_agreed_roster_holds_and_what_the_proposal_does(given):
    """Agreed: one vet day a week at b. 8 h, 8 tenths bookable, is 6.4 h; its odds are its own."""
    patterns = learn_patterns(past_visits(), given.hours, regions=["r", "s"], today=TODAY)
    weeks = weeks_ahead(TODAY, 2)
    agreed = Agreed(tuple(a_week("b vet 0", "b", days=1, monday=weeks[0])), weeks[:1])
    asked = {"issue_id": "one", "today": TODAY, "n_weeks": 2, "rules": RULES, "agreed": agreed}
    drawn = issued([9, 0], [150, 140]).isel(draw=slice(8))
    plan = plan_staff(drawn, patterns, given, **asked)

    def capacity(told):
        return {(w.branch, w.week): w.capacity for w in told if w.role == "vet"}

    assert plan.standing.weeks == weeks[:1]
    ours, proposed = capacity(plan.standing.load), capacity(plan.load)
    assert ours["b", weeks[0]] == pytest.approx(6.4)
    assert ours["a", weeks[0]] == 0.0
    assert proposed["b", weeks[0]] > 6.4
    assert ours["b", weeks[1]] == proposed["b", weeks[1]]  # that week is as proposed in both
    odds = {(w.branch, w.week): w.overflow_odds for w in plan.standing.waiting}
    assert odds["b", weeks[0]] == 1.0
    names = [line.roster for line in plan.standing.money.lines]
    assert names[:2] == ["as agreed, other weeks as proposed", "planned over futures"]
    assert {one.beside for one in plan.standing.money.differences} == set(names[1:])
    kept = plan_staff(drawn, patterns, given, **asked | {"n_weeks": 1}, keep_agreed=True)
    assert (kept.standing, kept.held) == (None, weeks[:1])
    assert capacity(kept.load)["b", weeks[0]] == pytest.approx(6.4)


def test_the_answer_is_of_what_stands_and_says_what_a_proposal_would_change(make_plan):
    """North's odds as agreed add up to 2.23, as proposed to 1.71; south has 0.35."""
    plan = make_plan()
    agreed = make_plan(odds={"at-north": (0.33, 0.8, 0.7, 0.4), "at-south": (0.0, 0.1, 0.2, 0.05)})
    difference = CostDifference("as agreed", "planned over futures", 1205.0, 0, 0, 0.07)
    money = CostComparison("EUR", (), (difference,), ())
    standing = Standing(plan.weeks, agreed.load, agreed.waiting, (), money)
    plan = replace(plan, standing=standing)
    shifts = (*plan.roster.shifts[1:], Shift(MONDAY, "at-north", "desk", 8.0))
    at = datetime(2023, 3, 1, tzinfo=UTC)
    worked = Worked(shifts, dict.fromkeys(plan.weeks, at))
    shown = worked.in_plan(plan)
    assert shown.waiting == agreed.waiting
    assert shown.roster.shifts == shifts
    assert shown.roster.unheld == ()
    assert proposal_words(worked, plan) == (
        "The newest proposal would add one shift to those that stand and drop none: 2.1 "
        "branch-weeks expected to overflow instead of 2.6, 20 visits turned away instead of 20, "
        "and 1,205 [EUR] less expected cost; it is the dearer in 7 % of the futures."
    )
    own = replace(worked, is_own=True)
    assert own.in_plan(plan).waiting == plan.waiting
    assert proposal_words(own, plan) == ""
    south = plan.of_branches({"at-south"})
    assert {one.branch for one in south.standing.waiting} == {"at-south"}
    assert south.standing.money.differences == ()
