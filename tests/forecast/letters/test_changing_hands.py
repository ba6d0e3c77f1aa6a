"""Calendars belong to an owner and a class of therapy; a form sent twice hands over once."""

from __future__ import annotations

from datetime import time, timedelta

import icalendar
import pytest
from planned_dog import ANTIBODY, DOSES, NOW, UNCOVERED, change_owner, propose, sign
from ready_dog import ready_dog
from sqlalchemy import delete, insert

from forecast.dosing.decisions import Signature, withdraw_plan
from forecast.dosing.plan import Proposal
from forecast.letters.calendars_due import Task, calendars_due
from forecast.letters.desk import desk_of
from forecast.letters.events import What
from forecast.letters.gate import LetterError
from forecast.letters.handing_over import (
    hand_over_calendar,
    hand_over_cancellation,
    hand_over_letter,
    letter_of,
)
from forecast.letters.letter import Variant
from forecast.records import tables
from forecast.records.handovers import Correspondence, handovers_of
from forecast.records.plans import plan_of

ADA = Correspondence("rex", "rex-owner", ANTIBODY.id)
BO = ADA._replace(owner_id="bo")
OTHER = "ciclosporin"
SIGNED = Signature("vet 3", NOW, NOW.date())


@pytest.fixture(autouse=True)
def _signed(records):
    sign(records, plan_of(records, "p1"), dog=ready_dog(), at=NOW)


def desk(practice, records, *, of=ANTIBODY.id):
    return desk_of(practice, records, "rex", therapy=of)


def calendar(practice, records, *, of=ANTIBODY.id, **more):
    made = hand_over_calendar(practice, records, "rex", therapy=of, account_id="desk 1", **more)
    return icalendar.Calendar.from_ical(made)


def hand_letter(practice, records, at_desk=None, **more):
    at_desk = at_desk or desk(practice, records)
    made = letter_of(practice, at_desk, owner="Ada", vet="Dr Invented")
    hand_over_letter(practice, records, at_desk, made, account_id="desk 1", **more)
    return made


def uids(made):
    return {str(one["uid"]) for one in made.walk("VEVENT")}


def days(made):
    return {one["dtstart"].dt for one in made.walk("VEVENT") if "visit" in one["summary"]}


def due(practice, records):
    return [(one.of, one.task) for one in calendars_due(practice, records)]


def consent(records, owner_id, answer):
    row = {"owner_id": owner_id, "what": "messages", "answer": answer, "date": NOW.date()}
    with records.writing() as connection:
        connection.execute(insert(tables.consent).values(**row))


# ------------------------------------------------------------------------------ another owner
def test_a_new_owner_has_a_calendar_of_their_own_and_the_one_before_is_told_it_is_over(
    practice, records
):
    """Both stand on the list until done; no event of the one is ever in the other's file."""
    of_ada = calendar(practice, records)
    hand_letter(practice, records)
    change_owner(records, "rex", "bo")
    assert due(practice, records) == [(ADA, Task.CANCEL), (BO, Task.NEW_OWNER)]
    first = calendars_due(practice, records)[0]
    assert (first.is_of_owner_before, first.why) == (True, "the dog has another owner now")
    assert desk(practice, records).given == (), "Bo was told nothing"
    assert hand_letter(practice, records).variant is Variant.DATES, "nor has anything changed"
    of_bo = calendar(practice, records)
    assert days(of_bo) == set(DOSES)
    assert not uids(of_bo) & uids(of_ada)
    assert all(int(one["sequence"]) == 0 for one in of_bo.walk("VEVENT"))
    ended = hand_over_cancellation(practice, records, ADA, account_id="desk 1")
    ended = icalendar.Calendar.from_ical(ended)
    assert (ended["method"], uids(ended)) == ("CANCEL", uids(of_ada))
    assert due(practice, records) == []
    with pytest.raises(LetterError, match="a plan that a vet signed stands"):
        hand_over_cancellation(practice, records, BO, account_id="desk 1")


def test_a_dog_that_comes_back_is_in_its_first_owners_calendar_again(practice, records):
    """The events that were cancelled stay cancelled; new ones stand."""
    calendar(practice, records)
    change_owner(records, "rex", "bo")
    hand_over_cancellation(practice, records, ADA, account_id="desk 1")
    calendar(practice, records)
    with records.writing() as connection:
        connection.execute(tables.dog.update().values(owner_id="rex-owner"))
    assert due(practice, records) == [(BO, Task.CANCEL), (ADA, Task.NEW_OWNER)]
    again = calendar(practice, records)
    standing = [one for one in again.walk("VEVENT") if one["status"] == "CONFIRMED"]
    assert {one["dtstart"].dt for one in standing if "visit" in one["summary"]} == set(DOSES)
    assert due(practice, records) == [(BO, Task.CANCEL)]


@pytest.mark.parametrize("why", ["no", "not known", "dead", "erased"])
def test_an_owner_before_is_told_only_while_that_may_be(practice, records, why):
    """Without consent, dead or erased: nothing is to be done, and nothing goes out."""
    calendar(practice, records)
    change_owner(records, "rex", "bo", consent="not known")
    assert due(practice, records) == [(ADA, Task.CANCEL)], "whether Bo may be told is not known"
    with records.writing() as connection:
        if why == "erased":
            connection.execute(delete(tables.owner).where(tables.owner.c.id == "rex-owner"))
        elif why == "dead":
            row = {"owner_id": "rex-owner", "status": "dead"}
            connection.execute(insert(tables.owner_status).values(**row))
    if why in ("no", "not known"):
        consent(records, "rex-owner", why)
    assert due(practice, records) == []
    with pytest.raises(LetterError, match="whoever has it is not to be written to"):
        hand_over_cancellation(practice, records, ADA, account_id="desk 1")


def test_a_letter_made_for_the_owner_before_does_not_go_out(practice, records):
    before = desk(practice, records)
    change_owner(records, "rex", "bo")
    with pytest.raises(LetterError, match="before it had another owner"):
        hand_letter(practice, records, before)


def test_a_dog_whose_owner_was_never_given_a_calendar_leaves_nothing_to_put_right(
    practice, records
):
    hand_letter(practice, records)
    change_owner(records, "rex", "bo")
    assert due(practice, records) == []


# --------------------------------------------------------------------------------- two therapies
def test_two_classes_of_therapy_have_calendars_of_their_own(practice, records):
    """Neither moves, cancels or answers for the other's days; each is cancelled by itself.

    One class alone is planned ahead today, so the other's dates are put into the records by hand.
    """
    later = tuple(day + timedelta(days=3) for day in DOSES)
    propose(records, "rex", plan_id="p2", doses=later, therapy=OTHER, at=NOW)
    sign(records, plan_of(records, "p2"), dog=ready_dog(), at=NOW)
    one, two = calendar(practice, records), calendar(practice, records, of=OTHER)
    assert (days(one), days(two)) == (set(DOSES), set(later))
    assert due(practice, records) == []
    assert (desk(practice, records).given, desk(practice, records, of=OTHER).given) == (
        DOSES,
        later,
    )
    told = desk(practice, records).told
    assert not told.replaces_dates, "the other class's days are no older dates of this one"
    withdraw_plan(records, plan_of(records, "p2"), reason="moved on", signature=SIGNED)
    of_other = ADA._replace(therapy=OTHER)
    assert due(practice, records) == [(of_other, Task.CANCEL)]
    made = hand_over_cancellation(practice, records, of_other, account_id="desk 1")
    assert uids(icalendar.Calendar.from_ical(made)) == uids(two)
    assert due(practice, records) == []


# ------------------------------------------------------------------------------ a form sent twice
def test_a_form_sent_twice_hands_over_once(practice, records):
    """Letter, calendar and cancellation; what else is done with it is done once too."""
    noted = []
    form = {"form_key": "form 1", "also": noted.append}
    for _ in range(2):
        hand_letter(practice, records, **form)
    calendars = [calendar(practice, records, **form) for _ in range(2)]
    assert uids(calendars[0]) == uids(calendars[1])
    withdraw_plan(records, plan_of(records, "p1"), reason="moved on", signature=SIGNED)
    of, given = ADA, {"account_id": "desk 1", **form}
    ended = [hand_over_cancellation(practice, records, of, **given) for _ in range(2)]
    assert ended[0] == ended[1]
    kinds = ["letter", "calendar", "cancellation"]
    assert [one.kind for one in handovers_of(records, "rex")] == kinds
    assert len(noted) == len(kinds)


def test_what_differs_or_comes_from_another_form_is_handed_over_anew(practice, records):
    """Another time in the same form; another page; the command line, which has no form."""
    calendar(practice, records, form_key="form 1")
    calendar(practice, records, form_key="form 1", times={DOSES[0]: time(10, 30)})
    calendar(practice, records, form_key="form 2")
    calendar(practice, records)
    calendar(practice, records)
    assert len(handovers_of(records, "rex")) == 5


# ------------------------------------------------------------------------------ a slot that is held
def test_weeks_to_watch_of_a_slot_that_is_held_can_be_handed_over(practice, records):
    """A calendar with dates then is given anew with the weeks alone, not asked for in vain."""
    calendar(practice, records)
    later = NOW + timedelta(hours=1)
    held = {"doses": (), "uncovered": UNCOVERED, "proposal": Proposal.HOLD_A_SLOT}
    propose(records, "rex", plan_id="p2", at=later, **held)
    sign(records, plan_of(records, "p2"), dog=ready_dog(), at=later)
    assert due(practice, records) == [(ADA, Task.ANEW)]
    assert [one.what for one in desk(practice, records).planned(NOW.date())] == [What.WATCH]
    calendar(practice, records)
    assert due(practice, records) == []


def test_a_plan_without_a_day_ahead_cancels_and_says_so(practice, records):
    calendar(practice, records)
    later = NOW + timedelta(hours=1)
    propose(records, "rex", plan_id="p2", doses=(), proposal=Proposal.HOLD_A_SLOT, at=later)
    sign(records, plan_of(records, "p2"), dog=ready_dog(), at=later)
    (one,) = calendars_due(practice, records)
    assert (one.task, one.why) == (Task.CANCEL, "the plan in force has no day ahead")
