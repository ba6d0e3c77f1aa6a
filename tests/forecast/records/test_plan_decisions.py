"""What vets decided on plans: kept in order, never lost, at most one plan in force."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from sqlalchemy import delete, insert, update

from forecast.records import RecordsError, tables
from forecast.records.dogs import add_unregistered
from forecast.records.issues import IssueRow, add_issue
from forecast.records.plan_decisions import (
    IN_FORCE,
    REPLACED,
    NewDecision,
    PlanState,
    add_decision,
    decisions,
    in_force,
    signed_doses,
)
from forecast.records.plans import PlanRow, add_plans, plans

AT = datetime(2024, 6, 1, 8, 30, tzinfo=UTC)
DAY = date(2024, 6, 1)
ANTIBODY = "anti_il31_antibody"
FIRST, MOVED = (date(2024, 6, 3), date(2024, 7, 8)), (date(2024, 6, 10),)
PROPOSED = frozenset({PlanState.PROPOSED})
ACCEPTED = NewDecision("p1", PlanState.ACCEPTED, PROPOSED, DAY, AT, "vet 3", FIRST)


@pytest.fixture
def rex(records) -> str:
    """Give a dog with two plans for an injection and one for tablets."""
    with records.writing() as connection:
        dog = add_unregistered(connection, ["D1"])["D1"]
    made = IssueRow("i1", AT, DAY, "issued", "model", "sha", 1, "i1.nc", "file", "SNAP", None)
    add_issue(records, made, settings_text="", summaries={})
    one = PlanRow("p1", dog, "i1", ANTIBODY, "proposed", None, AT, (), (), FIRST)
    others = [replace(one, id="p2"), replace(one, id="p3", therapy="daily_jak_inhibitor")]
    add_plans(records, [one, *others])
    return dog


def states(records) -> dict[str, str]:
    return {plan.id: plan.state for plan in plans(records)}


def test_every_decision_is_kept_and_the_last_one_holds(records, rex):
    """Accepted, then changed: both stand in the records, with their dates, reasons and names."""
    add_decision(records, ACCEPTED)
    changed = replace(
        ACCEPTED,
        state=PlanState.CHANGED,
        after=IN_FORCE,
        signed_by="vet 4",
        dates=MOVED,
        reason="away in June",
    )
    add_decision(records, changed)
    told = [(d.state, d.signed_by, d.dates, d.reason) for d in decisions(records, dog_id=rex)]
    assert told == [
        ("accepted", "vet 3", FIRST, None),
        ("changed", "vet 4", MOVED, "away in June"),
    ]
    assert in_force(records)[rex, ANTIBODY].dates == MOVED
    assert states(records) == {"p1": "changed", "p2": "proposed", "p3": "proposed"}
    assert plans(records)[0].signed_by == "vet 4"
    assert plans(records)[0].doses == FIRST, "what was proposed stays as it was"


def test_doses_ahead_are_the_days_that_vets_signed(records, rex):
    """Not those proposed, nor any of a plan that ended, of a dog that is gone or has no branch."""

    def doses():
        return signed_doses(records, after=date(2024, 6, 2))

    add_decision(records, ACCEPTED)
    assert doses() == [], "it has no branch"
    with records.writing() as connection:
        place = {"id": "n", "name": "North", "region_id": "seoul", "open_days": "mon"}
        connection.execute(insert(tables.branch).values(**place))
        connection.execute(update(tables.dog).values(branch_id="n"))
    assert doses() == [(day, "n") for day in FIRST]
    assert signed_doses(records, after=FIRST[0]) == [(FIRST[1], "n")]
    changed = {"after": IN_FORCE, "reason": "away"}
    add_decision(records, replace(ACCEPTED, state=PlanState.CHANGED, dates=MOVED, **changed))
    assert doses() == [(MOVED[0], "n")]
    dead = {"dog_id": rex, "status": "dead", "date": date(2024, 6, 20), "day_given": True}
    with records.writing() as connection:
        connection.execute(insert(tables.dog_status).values(**dead))
    assert doses() == [(MOVED[0], "n")], "on the day that is asked for it is not known to be dead"
    with records.writing() as connection:
        connection.execute(insert(tables.dog_status).values(**dead | {"date": DAY}))
    assert doses() == []
    with records.writing() as connection:
        connection.execute(delete(tables.dog_status))
    add_decision(records, replace(ACCEPTED, state=PlanState.WITHDRAWN, dates=(), **changed))
    assert doses() == []


def test_another_plan_that_is_signed_withdraws_the_one_before(records, rex):
    """Of one dog and therapy one is in force; a plan of another therapy is not touched."""
    add_decision(records, ACCEPTED)
    add_decision(records, replace(ACCEPTED, plan_id="p3"))
    add_decision(records, replace(ACCEPTED, plan_id="p2", dates=MOVED))
    assert states(records) == {"p1": "withdrawn", "p2": "accepted", "p3": "accepted"}
    last = decisions(records, plan_ids=["p1"])[-1]
    assert (last.state, last.reason, last.dates) == ("withdrawn", REPLACED, ())
    held = in_force(records, dog_id=rex)
    assert {key[1]: one.plan_id for key, one in held.items()} == {
        ANTIBODY: "p2",
        "daily_jak_inhibitor": "p3",
    }
    assert set(in_force(records, therapy=ANTIBODY)) == {(rex, ANTIBODY)}


def test_a_plan_that_somebody_decided_on_meanwhile_is_refused(records, rex):
    """Nothing is written: the second of two people who had it before them looks again."""
    add_decision(records, ACCEPTED)
    declined = replace(ACCEPTED, state=PlanState.DECLINED, dates=(), reason="too dear")
    with pytest.raises(RecordsError, match="it is accepted by now, and only one that is proposed"):
        add_decision(records, declined)
    with pytest.raises(RecordsError, match="no such plan"):
        add_decision(records, replace(ACCEPTED, plan_id="p9"))
    assert len(decisions(records)) == 1


def test_a_plan_that_was_declined_or_withdrawn_is_not_in_force(records, rex):
    """Its history stays."""
    add_decision(records, ACCEPTED)
    ended = replace(ACCEPTED, state=PlanState.WITHDRAWN, after=IN_FORCE, dates=(), reason="moved")
    add_decision(records, ended)
    assert in_force(records) == {}
    assert [one.state for one in decisions(records)] == ["accepted", "withdrawn"]
