"""The gate, asked when a letter is made and when it goes out; calendars to be cancelled."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

import icalendar
import pytest
from planned_dog import ANTIBODY, DOSES, NOW, add_dog, change_owner, propose, sign
from ready_dog import ready_dog
from sqlalchemy import insert

from forecast.dosing.decisions import Signature, change_plan, withdraw_plan
from forecast.dosing.plan import Proposal
from forecast.letters.calendars_due import Task, calendars_due
from forecast.letters.desk import desk_of
from forecast.letters.gate import LetterError, gate_of
from forecast.letters.handing_over import (
    hand_over_calendar,
    hand_over_cancellation,
    hand_over_letter,
    letter_of,
)
from forecast.letters.letter import Variant
from forecast.records import tables
from forecast.records.dogs import keep_language
from forecast.records.handovers import Correspondence, handovers_of
from forecast.records.plans import plan_of

OF_REX = Correspondence("rex", "rex-owner", ANTIBODY.id)
SIGNED = Signature("vet 3", NOW, date(2023, 3, 1))


def desk(practice, records, dog_id="rex"):
    return desk_of(practice, records, dog_id, therapy=ANTIBODY.id)


def signed(records, plan_id="p1"):
    sign(records, plan_of(records, plan_id), dog=ready_dog(), at=NOW)


def letter(practice, records):
    return letter_of(practice, desk(practice, records), owner="Ada", vet="Dr Invented")


def hand_calendar(practice, records, **more):
    made = hand_over_calendar(
        practice, records, "rex", therapy=ANTIBODY.id, account_id="desk 1", **more
    )
    return icalendar.Calendar.from_ical(made)


def happens(records, table, **values):
    with records.writing() as connection:
        connection.execute(insert(table).values(**values))


def status(records, word):
    happens(records, tables.dog_status, dog_id="rex", status=word, date=NOW.date(), day_given=True)


def told(calendar):
    return sorted(
        (one["dtstart"].dt, str(one["status"]), int(one["sequence"]))
        for one in calendar.walk("VEVENT")
        if "visit" in one["summary"]
    )


SHUT = [
    *[("dog", word) for word in ("dead", "rehomed", "moved", "left", "not known")],
    *[("owner", word) for word in ("dead", "moved", "left")],
    *[("consent", word) for word in ("no", "not known")],
]


def shut(records, what, word):
    if what == "dog":
        status(records, word)
    elif what == "owner":
        happens(records, tables.owner_status, owner_id="rex-owner", status=word)
    else:
        answer = {"what": "messages", "answer": word, "date": NOW.date()}
        happens(records, tables.consent, owner_id="rex-owner", **answer)


@pytest.mark.parametrize(("what", "word"), SHUT)
def test_nothing_is_made_and_nothing_goes_out_once_the_gate_is_shut(practice, records, what, word):
    """Also where it shuts between the making of a letter and its hand-over."""
    signed(records)
    before = desk(practice, records)
    made = letter_of(practice, before, owner="Ada", vet="Dr Invented")
    shut(records, what, word)
    with pytest.raises(LetterError, match="a letter was asked for dog D1"):
        letter(practice, records)
    with pytest.raises(LetterError, match="a letter was asked for dog D1"):
        hand_over_letter(practice, records, before, made, account_id="desk 1")
    with pytest.raises(LetterError, match="a calendar was asked for dog D1"):
        hand_calendar(practice, records)
    assert handovers_of(records, "rex") == []


def test_what_is_not_known_keeps_the_gate_shut(practice, records):
    """No status, no owner, no answer: each by itself, with what to do."""
    with records.writing() as connection:
        for dog_id, owner in (("a", None), ("b", "b-owner")):
            connection.execute(insert(tables.dog).values(id=dog_id, owner_id=owner))
            named = {"dog_id": dog_id, "reference": dog_id.upper()}
            connection.execute(insert(tables.dog_identity).values(**named))
        connection.execute(insert(tables.owner).values(id="b-owner"))
        row = {"dog_id": "b", "status": "active", "day_given": False}
        connection.execute(insert(tables.dog_status).values(**row))
    with records.reading() as connection:
        assert "status is not on record" in gate_of(connection, "a", on=NOW.date()).closed_because
        assert "ask, and record it" in gate_of(connection, "b", on=NOW.date()).closed_because
        with pytest.raises(LetterError, match="no such id"):
            gate_of(connection, "nobody", on=NOW.date())


def test_no_plan_goes_out_that_no_vet_has_signed(practice, records):
    """It can be read as a draft; an invitation to an examination needs no vet."""
    draft = letter(practice, records)
    assert "no vet has signed" in draft.notice
    with pytest.raises(LetterError, match="its plan is proposed: a vet signs it first"):
        hand_over_letter(practice, records, desk(practice, records), draft, account_id="x")
    with pytest.raises(LetterError, match="its plan is proposed: a vet signs it first"):
        hand_calendar(practice, records)
    later = NOW + timedelta(hours=1)
    propose(records, "rex", plan_id="p2", doses=(), proposal=Proposal.EXAMINE, at=later)
    invited = letter(practice, records)
    assert invited.variant is Variant.EXAMINE
    hand_over_letter(practice, records, desk(practice, records), invited, account_id="x")
    assert [one.kind for one in handovers_of(records, "rex")] == ["letter"]


def test_no_dates_go_out_of_a_class_that_the_dog_reacted_to(practice, records):
    """Signed before the reaction; once a vet lets the class be given again, they go out."""
    signed(records)
    before = desk(practice, records)
    made = letter_of(practice, before, owner="Ada", vet="Dr Invented")
    day, of_rex = NOW.date(), {"dog_id": "rex", "therapy": ANTIBODY.id}
    happens(records, tables.adverse_reaction, **of_rex, date=day)
    said = f"a reaction to this class was recorded on {day}"
    with pytest.raises(LetterError, match=said):
        hand_over_letter(practice, records, before, made, account_id="desk 1")
    with pytest.raises(LetterError, match=said):
        hand_calendar(practice, records)
    happens(records, tables.therapy_release, **of_rex, date=day, signed_by="vet 3")
    hand_over_letter(practice, records, before, made, account_id="desk 1")
    assert told(hand_calendar(practice, records))


def test_reactions_to_other_classes_and_of_other_dogs_hold_nothing_back(practice, records):
    signed(records)
    add_dog(records, "max", number="D2")
    day = NOW.date()
    happens(records, tables.adverse_reaction, dog_id="rex", therapy="another class", date=day)
    happens(records, tables.adverse_reaction, dog_id="max", therapy=ANTIBODY.id, date=day)
    assert told(hand_calendar(practice, records))


def test_a_letter_made_before_another_decision_does_not_go_out(practice, records):
    signed(records)
    before = desk(practice, records)
    made = letter_of(practice, before, owner="Ada", vet="Dr Invented")
    other = (DOSES[0], DOSES[1] + timedelta(days=7))
    plan = plan_of(records, "p1")
    more = {"dog": ready_dog(), "therapy": ANTIBODY, "reason": "away", "signature": SIGNED}
    change_plan(records, plan, other, **more)
    with pytest.raises(LetterError, match="decided on its plan anew"):
        hand_over_letter(practice, records, before, made, account_id="desk 1")


def reads(records, language, *, owner="rex-owner"):
    with records.writing() as connection:
        keep_language(connection, owner, language)


def test_letter_and_calendar_are_in_the_owners_language(practice, records):
    """One made before another language was recorded does not go out; a cancellation follows too."""
    signed(records)
    before, english = desk(practice, records), letter(practice, records)
    reads(records, "de")
    with pytest.raises(LetterError, match="to be written to in German; make it again"):
        hand_over_letter(practice, records, before, english, account_id="desk 1")
    made = letter(practice, records)
    assert (english.language, made.language) == ("en", "de")
    hand_over_letter(practice, records, desk(practice, records), made, account_id="desk 1")
    calendar = hand_calendar(practice, records)
    assert "Besuch in der Tierarztpraxis" in str(calendar.walk("VEVENT")[0]["summary"])
    status(records, "dead")
    ended = hand_over_cancellation(practice, records, OF_REX, account_id="desk 1")
    assert "Besuch in der Tierarztpraxis" in ended.decode()


def test_the_cancellation_for_who_owned_the_dog_before_is_in_their_language(practice, records):
    """The new owner reads English; of an owner who was erased the language is not known."""
    signed(records)
    reads(records, "de")
    hand_calendar(practice, records)
    change_owner(records, "rex", "bo")
    assert letter(practice, records).language == "en"
    ended = hand_over_cancellation(practice, records, OF_REX, account_id="desk 1")
    assert "Besuch in der Tierarztpraxis" in ended.decode()


def test_who_hands_over_what_is_written_down_without_a_name(practice, records):
    signed(records)
    hand_over_letter(
        practice, records, desk(practice, records), letter(practice, records), account_id="desk 1"
    )
    hand_calendar(practice, records, times={DOSES[0]: time(10, 30)})
    out = handovers_of(records, "rex")
    assert [(one.kind, one.account_id, one.plan_id) for one in out] == [
        ("letter", "desk 1", "p1"),
        ("calendar", "desk 1", "p1"),
    ]
    assert "Rex" not in repr(out)
    assert "Quillfeather" not in repr(out)


def test_a_change_is_told_by_the_letter_and_by_the_calendar(practice, records):
    """The letter says so once other days were told before; printed twice it says nothing new."""
    signed(records)
    first = letter(practice, records)
    assert first.variant is Variant.DATES
    hand_over_letter(practice, records, desk(practice, records), first, account_id="desk 1")
    hand_calendar(practice, records)
    assert letter(practice, records).variant is Variant.DATES
    assert calendars_due(practice, records) == []
    later = DOSES[1] + timedelta(days=7)
    more = {"dog": ready_dog(), "therapy": ANTIBODY, "reason": "away", "signature": SIGNED}
    change_plan(records, plan_of(records, "p1"), (DOSES[0], later), **more)
    assert letter(practice, records).variant is Variant.CHANGED
    (due,) = calendars_due(practice, records)
    assert (due.task, due.why) == (Task.ANEW, "a vet signed other dates")
    with pytest.raises(LetterError, match="a plan that a vet signed stands"):
        hand_over_cancellation(practice, records, OF_REX, account_id="desk 1")
    again = hand_calendar(practice, records)
    assert told(again) == [(DOSES[0], "CONFIRMED", 0), (later, "CONFIRMED", 1)]
    assert calendars_due(practice, records) == []


@pytest.mark.parametrize("why", ["dead", "withdrawn", "consent"])
def test_a_calendar_that_is_out_is_cancelled_when_the_dog_dies_or_its_plan_ends(
    practice, records, why
):
    """It is due until the cancellation is handed over; then no more, and dates are not told."""
    signed(records)
    before = told(hand_calendar(practice, records))
    if why == "dead":
        status(records, "dead")
    elif why == "consent":
        shut(records, "consent", "no")
    else:
        withdraw_plan(records, plan_of(records, "p1"), reason="moved on", signature=SIGNED)
    (due,) = calendars_due(practice, records)
    assert due.task is Task.CANCEL
    assert due.days[:2] == DOSES
    made = hand_over_cancellation(practice, records, OF_REX, account_id="desk 1")
    ended = icalendar.Calendar.from_ical(made)
    assert ended["method"] == "CANCEL"
    assert told(ended) == [(day, "CANCELLED", n + 1) for day, _, n in before]
    assert calendars_due(practice, records) == []
    with pytest.raises(LetterError, match="none is out"):
        hand_over_cancellation(practice, records, OF_REX, account_id="desk 1")


def test_a_withdrawn_plan_whose_dates_were_told_has_a_letter_that_says_so(practice, records):
    signed(records)
    hand_over_letter(
        practice, records, desk(practice, records), letter(practice, records), account_id="desk 1"
    )
    withdraw_plan(records, plan_of(records, "p1"), reason="moved on", signature=SIGNED)
    gone = letter(practice, records)
    assert gone.variant is Variant.CANCELLED
    hand_over_letter(practice, records, desk(practice, records), gone, account_id="desk 1")
    with pytest.raises(LetterError, match="whose plan is withdrawn"):
        letter(practice, records)


def test_the_past_of_a_calendar_is_nobodys_to_cancel(practice, records):
    """Once its days are over a death asks for nothing."""
    signed(records)
    hand_calendar(practice, records)
    status(records, "dead")
    later = replace(practice, now=NOW + timedelta(days=365))
    assert calendars_due(later, records) == []


def test_weeks_left_uncovered_are_told_only_where_they_were_worked_out(practice, records):
    """Dates that a vet set otherwise were not: the calendar then has visits alone."""
    signed(records)
    assert desk(practice, records).told.uncovered_weeks
    more = {"dog": ready_dog(), "therapy": ANTIBODY, "reason": "away", "signature": SIGNED}
    change_plan(records, plan_of(records, "p1"), (DOSES[0],), **more)
    assert desk(practice, records).told.uncovered_weeks is None


def test_another_dogs_plan_is_not_told(practice, records):
    add_dog(records, "mo", number="D2", name="Mo")
    assert desk(practice, records, "mo").told is None
    with pytest.raises(LetterError, match="D2, which has no plan"):
        letter_of(practice, desk(practice, records, "mo"), owner="", vet="")


def test_what_goes_out_and_who_did_it_stand_together_or_not_at_all(practice, records):
    """What the caller adds, such as the line of the audit, is in the same transaction."""
    signed(records)
    given = {"account_id": "desk 1", "also": fails}
    made = letter(practice, records)
    with pytest.raises(OSError, match="full"):
        hand_over_letter(practice, records, desk(practice, records), made, **given)
    with pytest.raises(OSError, match="full"):
        hand_over_calendar(practice, records, "rex", therapy=ANTIBODY.id, **given)
    assert handovers_of(records, "rex") == []
    hand_calendar(practice, records)
    ended = replace(SIGNED, also=fails)
    with pytest.raises(OSError, match="full"):
        withdraw_plan(records, plan_of(records, "p1"), reason="moved on", signature=ended)
    assert plan_of(records, "p1").state == "accepted"
    status(records, "dead")
    with pytest.raises(OSError, match="full"):
        hand_over_cancellation(practice, records, OF_REX, **given)
    assert [one.kind for one in handovers_of(records, "rex")] == ["calendar"]


def fails(_):
    raise OSError("the disk is full")


def test_a_letter_has_the_times_that_stand_in_the_calendar(practice, records):
    """Until the calendar that holds them is cancelled."""
    signed(records)
    hand_calendar(practice, records, times={DOSES[0]: time(10, 30)})
    assert letter(practice, records).dates[0][0] == "Monday, 27 March 2023, 10:30"
    withdraw_plan(records, plan_of(records, "p1"), reason="moved on", signature=SIGNED)
    hand_over_cancellation(practice, records, OF_REX, account_id="desk 1")
    propose(records, "rex", plan_id="p2", doses=DOSES, at=NOW + timedelta(hours=1))
    signed(records, "p2")
    assert letter(practice, records).dates[0][0] == "Monday, 27 March 2023"


def test_days_that_are_past_are_not_told(practice, records):
    """After the first dose the letter names the second alone; after both there is none."""
    signed(records)
    after_one = replace(practice, now=NOW + (DOSES[0] + timedelta(days=2) - NOW.date()))
    made = letter(after_one, records)
    assert len(made.dates) == len(DOSES) - 1
    hand_over_letter(after_one, records, desk(after_one, records), made, account_id=None)
    (handed,) = handovers_of(records, "rex")
    assert [one["day"] for one in handed.events] == [day.isoformat() for day in DOSES[1:]]
    after_all = replace(practice, now=NOW + (DOSES[-1] + timedelta(days=2) - NOW.date()))
    with pytest.raises(LetterError, match="every day is past"):
        letter(after_all, records)
