"""The desk at work: proposals from an issue and the records, and what is kept of them."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest

from forecast.dosing.decisions import Signature, accept_plan
from forecast.dosing.desk import dogs_by_number, keep_plans, propose_plans
from forecast.dosing.effect_times import of_kept
from forecast.dosing.held_against import held_against_the_past
from forecast.dosing.kept import basis_of, basis_of_kept, trade_of_kept
from forecast.dosing.plan import CAUTIONS, Proposal
from forecast.dosing.plan_list import PLAN_COLUMNS, plans_csv
from forecast.dosing.register import read_register
from forecast.dosing.therapies import DosingError, therapy
from forecast.letters.desk import desk_of
from forecast.records.handovers import (
    CANCELLATION,
    LETTER,
    Correspondence,
    Handover,
    add_handover,
)
from forecast.records.issues import IssueRow, add_issue
from forecast.records.plan_decisions import in_force
from forecast.records.plans import newest_plan, plans
from forecast.settings_sections import DosingRuleSection

TODAY = date(2022, 6, 29)
ANTIBODY = "anti_il31_antibody"


def propose(desk, issue, *numbers, therapy=ANTIBODY, today=TODAY):
    dogs = [desk.ids[number] for number in numbers] if numbers else None
    found = propose_plans(
        desk.practice, desk.records, issue, dogs=dogs, therapy_id=therapy, today=today
    )
    by_id = {dog_id: number for number, dog_id in desk.ids.items()}
    return {by_id[plan.dog]: plan for plan in found}


def autumn(level: int = 8, *, first: int = 10) -> np.ndarray:
    """Return pressure in eight weeks alone, by default those of September and October."""
    pressure = np.zeros((20, 52))
    pressure[:, first : first + 8] = level
    return pressure


@pytest.fixture
def ready(desk):
    """D1 flared in three autumns, responded to the injection, and its work-up is complete."""
    days = ("2019-09-16", "2020-09-21", "2021-09-14", "2021-10-20")
    desk.see(("D1", "2019-01-07", "other"), *[("D1", day, "itch flare") for day in days])
    desk.work_up("D1")
    desk.bring(
        "therapies",
        f"dog,therapy,date,status,responded\nD1,{ANTIBODY},2021-11-02,given,yes\n",
    )
    return desk


def test_a_ready_dog_gets_dates_on_open_days_before_and_in_its_season(ready, issue_of):
    """Tuesdays and Thursdays of its branch, four weeks apart or more, the first before week 11."""
    plan = propose(ready, issue_of(autumn()), "D1")["D1"]
    assert plan.proposal is Proposal.DATED_DOSES
    days = [dose.date for dose in plan.doses]
    assert all(day.weekday() in (1, 3) for day in days)
    assert all(b - a >= timedelta(days=28) for a, b in pairwise(days))
    assert TODAY < days[0] < date(2022, 9, 12)
    assert (plan.issue_id, plan.state, plan.signed_by) == ("issue-1", "proposed", None)
    assert set(CAUTIONS) <= set(plan.cautions)


def test_a_dose_that_costs_more_than_it_spares_is_not_dated(ready, issue_of):
    """The practice sets the price: at ten flare-weeks a dose none is worth it."""
    section = ready.practice.settings.dosing.model_copy(update={"flare_weeks_per_dose": 10.0})
    settings = ready.practice.settings.model_copy(update={"dosing": section})
    dear = replace(ready, practice=replace(ready.practice, settings=settings))
    plan = propose(dear, issue_of(autumn()), "D1")["D1"]
    assert plan.doses == ()
    assert plan.proposal is Proposal.HOLD_A_SLOT


def test_a_rule_that_a_vet_loosened_stands_on_the_plan_in_the_table_and_on_record(ready, issued):
    """Who answers for it and why; the rule itself is the one that is planned by."""
    own = DosingRuleSection(
        rule=f"{ANTIBODY}.minimum_interval", value=21, vet="Dr Invented", reason="every three weeks"
    )
    section = ready.practice.settings.dosing.model_copy(update={"rule": (own,)})
    settings = ready.practice.settings.model_copy(update={"dosing": section})
    looser = replace(ready, practice=replace(ready.practice, settings=settings))
    plan = propose(looser, issued, "D1")["D1"]
    days = [dose.date for dose in plan.doses]
    assert all(b - a >= timedelta(days=21) for a, b in pairwise(days))
    said = "Dr Invented answers for it: every three weeks."
    assert said in " ".join(caution.sentence for caution in plan.cautions)
    assert said in plans_csv(ready.records, [plan])
    keep_plans(ready.records, [plan], made_at=ready.practice.now)
    (row,) = plans(ready.records)
    assert said in " ".join(entry.get("sentence", "") for entry in row.reasons)


def test_a_dog_of_which_little_is_known_is_examined_first(ready, issue_of):
    """D2 has a species and an age, and no work-up: no dose, and what is missing is said."""
    plan = propose(ready, issue_of(autumn()), "D2")["D2"]
    assert plan.proposal is Proposal.EXAMINE
    assert plan.doses == ()
    assert any(not reason.known for reason in plan.reasons)


def test_without_names_every_dog_of_the_practice_is_proposed_for(ready, issue_of):
    """Not the dead one, not the one that left, none without a region or of another region."""
    assert set(propose(ready, issue_of(autumn()))) == {"D1", "D2", "D5"}


@pytest.mark.parametrize(
    ("dog", "says"),
    [
        ("D3", "dog D3, which is recorded as dead"),
        ("D6", "dog D6, which is recorded as left"),
        ("D4", "dog D4; neither its region nor its branch is on record"),
        ("D7", "dog D7 of region south; the forecast holds north"),
    ],
)
def test_a_named_dog_that_can_have_no_plan_is_refused_with_the_reason(ready, issue_of, dog, says):
    """By its number, never by name; silence would be taken for "nothing to do"."""
    with pytest.raises(DosingError, match=says) as refusal:
        propose(ready, issue_of(autumn()), dog)
    assert not any(name in str(refusal.value) for name in ("Pip", "Ash", "Zip", "Sue"))


def test_an_id_that_is_not_on_record_is_refused(ready, issue_of):
    """It is no dog of this practice."""
    with pytest.raises(DosingError, match="the records hold no such id"):
        propose_plans(
            ready.practice,
            ready.records,
            issue_of(autumn()),
            dogs=["nobody"],
            therapy_id=ANTIBODY,
            today=TODAY,
        )


def test_an_unknown_therapy_is_refused_with_those_there_are(ready, issue_of):
    """By class, as there is no brand here."""
    with pytest.raises(DosingError, match="known are daily_jak_inhibitor, anti_il31_antibody"):
        propose(ready, issue_of(autumn()), "D1", therapy="injection")


def test_without_visits_there_is_no_plan_at_all(ready, issue_without_visits):
    """Nothing is known of when dogs flare, so nothing is proposed, not even for a ready dog."""
    assert propose(ready, issue_without_visits) == {}
    assert propose(ready, issue_without_visits, "D1") == {}


def test_a_day_outside_the_weeks_of_the_issue_is_refused(ready, issue_of):
    """A plan of next year from the issue of this one would rest on nothing."""
    with pytest.raises(DosingError, match="use the newest issue"):
        propose(ready, issue_of(autumn()), "D1", today=date(2024, 1, 2))


# ------------------------------------------------------------------------------ numbers, records
def test_dogs_are_found_by_the_practice_s_number_and_a_slip_names_the_nearest(desk):
    """The sentence quotes what was asked."""
    assert dogs_by_number(desk.records, ["D2", "D1"]) == [desk.ids["D2"], desk.ids["D1"]]
    with pytest.raises(DosingError, match="dog 'd1', which is not on record; did you mean D1"):
        dogs_by_number(desk.records, ["D1", "d1"])
    with pytest.raises(DosingError, match=r"dog '99', which is not on record$"):
        dogs_by_number(desk.records, ["99"])


def recorded(ready, issue, *, issue_id="issue-1"):
    """Return an issue under an id, its row in the records, as plans need it."""
    issue = replace(issue, id=issue_id)
    row = IssueRow(
        id=issue.id,
        issued_at=issue.issued_at,
        origin=TODAY,
        kind="issued",
        model_hash=issue.model_hash,
        settings_sha256="settings",
        seed=1,
        file="none.nc",
        file_sha256=issue.hash,
        climate_snapshot="snapshot",
        visit_vintage=None,
    )
    add_issue(ready.records, row, settings_text="", summaries={})
    return issue


@pytest.fixture
def issued(ready, issue_of):
    return recorded(ready, issue_of(autumn()))


def test_what_is_kept_of_a_plan_is_what_a_vet_sees(ready, issued):
    """Dates, every reason with its source, every caution; proposed, and signed by nobody."""
    plan = propose(ready, issued, "D1")["D1"]
    keep_plans(ready.records, [plan], made_at=ready.practice.now)
    (row,) = plans(ready.records)
    assert (row.dog_id, row.issue_id, row.therapy) == (ready.ids["D1"], "issue-1", ANTIBODY)
    assert (row.state, row.signed_by) == ("proposed", None)
    assert row.doses == tuple(dose.date for dose in plan.doses)
    assert len(row.doses) >= 1
    said = [entry.get("sentence") for entry in row.reasons]
    for part in (*plan.reasons, *plan.cautions):
        assert part.sentence in said
    assert all(entry["source"] for entry in row.reasons if "sentence" in entry)
    head = row.reasons[0]
    assert (head["proposal"], head["uncovered_weeks_known"]) == ("dated doses", True)
    assert trade_of_kept(head) == plan.trade
    assert basis_of_kept(head, row.doses) == basis_of(plan)


def test_uncovered_weeks_that_are_not_known_are_kept_as_not_known(ready, issued):
    """A dog of a branch without days has no dates: that is not the same as no week uncovered."""
    ready.bring("dogs", "dog,species,status,region\nD8,dog,active,north\n")
    plan = propose(ready, issued, "D8")["D8"]
    assert plan.uncovered_weeks is None
    keep_plans(ready.records, [plan], made_at=ready.practice.now)
    (row,) = plans(ready.records)
    assert row.uncovered_weeks == ()
    assert row.reasons[0]["uncovered_weeks_known"] is False


def test_a_dogs_own_effect_time_is_learnt_planned_by_and_kept(ready, issued):
    """Four dogs itched again by day 26, once or twice in each of three autumns: twelve or more.

    So most effects ended sooner; a dog without doses and scores goes by the label.
    """
    four = ("D1", "D2", "D8", "D9")
    heads = "".join(f"{dog},dog,active,north,n1\n" for dog in four[2:])
    ready.bring("dogs", f"dog,species,status,region,branch\n{heads}")
    doses, scores = ["dog,therapy,date,status,reason,responded\n"], ["dog,date,pvas\n"]
    for year in (2019, 2020, 2021):
        for dog in four:
            days = [date(year, 9, 6) + timedelta(days=26 * n) for n in range(3)]
            doses += [f"{dog},{ANTIBODY},{day},given,itch,yes\n" for day in days]
            scores += [f"{dog},{day + timedelta(days=19)},1.0\n" for day in days]
    ready.bring("therapies", "".join(doses))
    ready.bring("scores", "".join(scores))
    known = "".join(f"{dog},therapy_history,yes,2022-06-20\n" for dog in four[1:])
    ready.bring("facts", f"dog,kind,value,date\n{known}")
    found = propose(ready, issued)
    own = found["D1"].effect
    assert own.basis == "scores"
    assert own.relapses >= 3
    assert 0 < own.holds_until() < 26
    assert found["D5"].effect is None
    assert "own_effect_time" in [reason.code for reason in found["D1"].reasons]
    keep_plans(ready.records, found.values(), made_at=ready.practice.now)
    row = newest_plan(ready.records, dog_id=ready.ids["D1"], therapy=ANTIBODY)
    assert of_kept(row.reasons[0]["effect_time"]) == own
    assert row.doses == tuple(dose.date for dose in found["D1"].doses)
    label = newest_plan(ready.records, dog_id=ready.ids["D5"], therapy=ANTIBODY)
    assert "effect_time" not in label.reasons[0]
    assert newest_plan(ready.records, dog_id=ready.ids["D7"], therapy=ANTIBODY) is None


def test_no_name_and_no_number_is_kept_with_a_plan(ready, issued):
    """A plan knows its dog by a random id."""
    keep_plans(ready.records, propose(ready, issued).values(), made_at=ready.practice.now)
    text = repr(plans(ready.records))
    for name in ("Rex", r"Mo\b", "Tom", "Quillfeather", "'D1'", "'D2'"):
        assert re.search(name, text) is None, name


# ------------------------------------------------------------------- signed, told, drifting
def test_dates_that_a_vet_signed_hold_when_a_new_issue_proposes_others(ready, issued, issue_of):
    """From sign-off to the next issue, a season four weeks later: kept, compared, told why."""
    old = propose(ready, issued, "D1")["D1"]
    now = ready.practice.now
    keep_plans(ready.records, [old], made_at=now)
    (row,) = plans(ready.records)
    register = read_register(ready.records, today=TODAY)
    accept_plan(
        ready.records,
        row,
        dog=register.dogs[row.dog_id],
        therapy=therapy(ANTIBODY),
        signature=Signature("vet 3", now, TODAY),
    )
    later = recorded(ready, issue_of(autumn(first=14)), issue_id="issue-2")
    new = propose(ready, later, "D1", today=TODAY + timedelta(days=7))["D1"]
    assert new.doses[0].date - old.doses[0].date > timedelta(days=7)
    assert (new.signed.dates, new.signed.signed_by) == (row.doses, "vet 3")
    shift = (new.season.start.middle - old.season.start.middle).days
    assert 24 <= shift <= 32  # four weeks, but for days within its first week
    assert new.moved.from_signed
    assert "against the plan signed on 2022-06-29, " in new.moved.sentence
    assert f"{new.season.start.middle}, {shift} days later" in new.moved.sentence
    assert new.moved.sentence.endswith("the signed dates stay until a vet changes them")
    keep_plans(ready.records, [new], made_at=now + timedelta(days=7))
    (held,) = in_force(ready.records).values()
    assert (held.plan_id, held.dates) == (row.id, row.doses)
    assert plans(ready.records)[0].doses == row.doses
    desk = desk_of(ready.practice, ready.records, row.dog_id, therapy=ANTIBODY)
    assert desk.told.doses == row.doses
    newest = newest_plan(ready.records, dog_id=row.dog_id, therapy=ANTIBODY)
    assert (newest.issue_id, newest.state) == ("issue-2", "proposed")
    assert newest.reasons[0]["moved"] == new.moved.sentence


@pytest.fixture
def drifting(ready, issued):
    """Give a function that keeps D1's plan some days later than it first lay, each a day on."""
    first = propose(ready, issued, "D1")["D1"]
    made_at = ready.practice.now

    def keep(days: int, *, season: int = 0):
        nonlocal made_at
        made_at += timedelta(days=1)
        doses = tuple(replace(d, date=d.date + timedelta(days=days)) for d in first.doses)
        middle = first.season.start.middle + timedelta(days=season)
        start = replace(first.season.start, middle=middle)
        plan = replace(first, doses=doses, season=replace(first.season, start=start))
        more = {"tolerance": 7, "today": TODAY, "zone": ready.practice.time_zone}
        (plan,) = held_against_the_past(ready.records, [plan], **more)
        keep_plans(ready.records, [plan], made_at=made_at)
        return plan, plans(ready.records)[-1], made_at.astimezone(ready.practice.time_zone).date()

    return keep


def test_a_slow_drift_is_a_move_once_it_adds_up(drifting):
    """Three days a day: nine on the fourth, against the first; from there it is counted anew."""
    (first, row, day), second, third = drifting(0), drifting(3), drifting(6)
    assert [plan.moved for plan in (first, second[0], third[0])] == [None] * 3
    assert [p.held_against for p in (first, second[0], third[0])] == [None, row.id, row.id]
    fourth, moved_row, moved_day = drifting(9)
    assert fourth.moved.days == 9
    assert f"against the plan of {day}, " in fourth.moved.sentence
    assert drifting(12)[0].moved is None
    fifth = drifting(17)[0]
    assert (fifth.moved.days, fifth.held_against) == (8, moved_row.id)
    assert f"against the plan of {moved_day}, " in fifth.moved.sentence


def test_what_the_owner_was_told_is_what_a_proposal_is_held_against(ready, drifting):
    """It stays so until something else is told, also after a move was said."""
    drifting(0)
    _, told, day = drifting(3)
    at = told.made_at
    of = Correspondence(told.dog_id, "owner", told.therapy)
    with ready.records.writing() as connection:
        add_handover(connection, Handover(of, told.id, LETTER, at, None))
    assert drifting(10)[0].moved is None
    assert drifting(11)[0].moved.days == 8
    again = drifting(12)[0]
    assert (again.moved.days, again.held_against) == (9, told.id)
    assert f"against the plan told to the owner on {day}, " in again.moved.sentence
    another = Handover(of._replace(therapy="ciclosporin"), None, CANCELLATION, at, None)
    with ready.records.writing() as connection:
        add_handover(connection, another)
    assert drifting(12)[0].held_against == told.id, "what is told of another class changes nothing"
    cancelled = Handover(of, None, CANCELLATION, at, None)
    with ready.records.writing() as connection:
        add_handover(connection, cancelled)
    assert drifting(13)[0].moved is None


def test_a_plan_of_another_season_is_no_measure_for_long(drifting):
    """The first of the new season is held against the day before, the next against that one."""
    drifting(0)
    _, before, _ = drifting(5)
    first, row, _ = drifting(10, season=200)
    assert (first.moved, first.held_against) == (None, None)
    later = drifting(16, season=200)[0]
    assert (later.moved, later.held_against) == (None, row.id)
    assert before.reasons[0]["held_against"] != row.id


# ------------------------------------------------------------------------------ what is not known
def test_a_dog_of_a_region_whose_visits_are_not_known_gets_no_dates(ready, issue_of):
    """Its risk is not known: no dose, and the reason is said; nothing is taken for calm."""
    issue = issue_of(np.full((20, 52), np.nan), threshold=np.nan)
    for name in ("flare_visits_past", "consultations_past", "covered_share_past"):
        issue.forecast[name][:] = np.nan
    plan = propose(ready, issue, "D1")["D1"]
    assert plan.doses == ()
    assert plan.uncovered_weeks is None
    assert plan.reasons[-1].code == "risk_not_known"
    assert not plan.reasons[-1].known


def test_the_table_of_plans_has_a_row_a_dog_and_no_name(ready, issue_of):
    """The practice's own number, the dates, every reason; a name that is a formula stays out."""
    found = propose(ready, issue_of(autumn()))
    text = plans_csv(ready.records, found.values())
    rows = list(csv.DictReader(io.StringIO(text)))
    assert tuple(rows[0]) == PLAN_COLUMNS
    assert [row["dog"] for row in rows] == list(found)
    own = rows[list(found).index("D1")]
    assert own["dates"].split() == [str(dose.date) for dose in found["D1"].doses]
    assert own["proposal"] == "dated doses"
    assert all(r.sentence in own["reasons"] for r in found["D1"].reasons)
