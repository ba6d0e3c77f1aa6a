"""Decisions on plans: dates a vet may sign, reasons that are asked for, what is refused."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from ready_dog import ready_dog

from forecast.dosing.decisions import (
    Signature,
    accept_plan,
    change_plan,
    decline_plan,
    withdraw_plan,
)
from forecast.dosing.dog_record import TherapyEvent
from forecast.dosing.therapies import DosingError, therapy
from forecast.records import Records, RecordsError, open_records
from forecast.records.dogs import add_unregistered
from forecast.records.issues import IssueRow, add_issue
from forecast.records.plan_decisions import decisions, in_force
from forecast.records.plans import PlanRow, add_plans, plan_of

ANTIBODY = therapy("anti_il31_antibody")
TODAY = date(2024, 4, 2)
AT = datetime(2024, 4, 2, 9, tzinfo=UTC)
SIGNED = Signature("vet 3", AT, TODAY)
DATES = (date(2024, 4, 30), date(2024, 5, 28))  # 28 days apart, the label's interval


@pytest.fixture
def records(practice) -> Iterator[Records]:
    opened = open_records(practice)
    yield opened
    opened.close()


@pytest.fixture
def proposed(records) -> PlanRow:
    """Give a plan of two doses that nobody has decided on."""
    with records.writing() as connection:
        dog = add_unregistered(connection, ["D1"])["D1"]
    made = IssueRow("i1", AT, TODAY, "issued", "model", "sha", 1, "i1.nc", "file", "SNAP", None)
    add_issue(records, made, settings_text="", summaries={})
    plan = PlanRow("p1", dog, "i1", ANTIBODY.id, "proposed", None, AT, (), (), DATES)
    add_plans(records, [plan])
    return plan


def test_a_plan_is_accepted_changed_and_withdrawn(records, proposed):
    """Each time the dates that hold are those signed last, and then none."""
    dog = ready_dog()
    accept_plan(records, proposed, dog=dog, therapy=ANTIBODY, signature=SIGNED)
    assert in_force(records)[proposed.dog_id, ANTIBODY.id].dates == DATES
    later = [DATES[1] + timedelta(days=7), DATES[0]]
    change_plan(
        records, proposed, later, dog=dog, therapy=ANTIBODY, reason="away", signature=SIGNED
    )
    held = in_force(records)[proposed.dog_id, ANTIBODY.id]
    assert held.dates == (DATES[0], date(2024, 6, 4))
    withdraw_plan(records, proposed, reason="moved", signature=SIGNED)
    assert in_force(records) == {}
    assert plan_of(records, "p1").state == "withdrawn"


@pytest.mark.parametrize(
    ("dates", "words"),
    [
        ((date(2024, 4, 30), date(2024, 5, 27)), "27 days after the one of 2024-04-30"),
        ((date(2024, 4, 30), date(2024, 4, 30)), "0 days after the one of 2024-04-30"),
        ((date(2024, 4, 1),), "planned for 2024-04-01, and it is 2024-04-02"),
        ((date(2024, 4, 9),), "27 days after the one of 2024-03-13"),
        ((), "decline or withdraw it instead"),
    ],
)
def test_dates_that_the_label_or_the_day_rules_out_are_refused(records, proposed, dates, words):
    """Also for a vet, and counting the dose of 13 March that was given already."""
    dog = ready_dog(therapies=(TherapyEvent(ANTIBODY.id, date(2024, 3, 13), responded=True),))
    with pytest.raises(DosingError, match=words):
        change_plan(
            records, proposed, dates, dog=dog, therapy=ANTIBODY, reason="asked", signature=SIGNED
        )
    assert decisions(records) == []


def test_a_plan_that_can_no_longer_be_kept_is_not_accepted(records, proposed):
    """A dose was given since, three weeks before the first date; or the first date is past."""
    given = TherapyEvent(ANTIBODY.id, date(2024, 4, 10), responded=True)
    dog, late = ready_dog(therapies=(given,)), replace(SIGNED, today=date(2024, 4, 12))
    with pytest.raises(DosingError, match="20 days after the one of 2024-04-10"):
        accept_plan(records, proposed, dog=dog, therapy=ANTIBODY, signature=late)
    past = replace(SIGNED, today=date(2024, 5, 1))
    with pytest.raises(DosingError, match="planned for 2024-04-30, and it is 2024-05-01"):
        accept_plan(records, proposed, dog=ready_dog(), therapy=ANTIBODY, signature=past)
    assert decisions(records) == []


def test_a_dose_on_record_keeps_its_distance_where_the_history_is_not_known(records, proposed):
    """That more may have been given elsewhere takes nothing from what is known."""
    given = TherapyEvent(ANTIBODY.id, TODAY - timedelta(days=3))
    dog = ready_dog(therapies=None, history_asked=None, partly_known=(given,))
    assert dog.last_dose(ANTIBODY.id, TODAY) == given.given
    near = TODAY + timedelta(days=24)
    with pytest.raises(DosingError, match="27 days after the one of"):
        change_plan(
            records, proposed, [near], dog=dog, therapy=ANTIBODY, reason="x", signature=SIGNED
        )


def test_who_declines_or_withdraws_says_why(records, proposed):
    """And what was declined can be neither accepted nor withdrawn."""
    with pytest.raises(DosingError, match="declined without a reason"):
        decline_plan(records, proposed, reason="  ", signature=SIGNED)
    decline_plan(records, proposed, reason=" too dear ", signature=SIGNED)
    (only,) = decisions(records)
    assert (only.state, only.reason, only.dates) == ("declined", "too dear", ())
    with pytest.raises(RecordsError, match="it is declined by now"):
        accept_plan(records, proposed, dog=ready_dog(), therapy=ANTIBODY, signature=SIGNED)
    with pytest.raises(RecordsError, match="it is declined by now"):
        withdraw_plan(records, proposed, reason="moved", signature=SIGNED)


def test_a_course_has_no_dates_to_be_signed(records, proposed):
    """No interval of the label is told for it, so none could be held."""
    with pytest.raises(DosingError, match="it is a course, whose doses are not dated ahead"):
        accept_plan(
            records, proposed, dog=ready_dog(), therapy=therapy("ciclosporin"), signature=SIGNED
        )
