"""Letters, calendars and recall lists as files: what is written, what is left out and said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import icalendar
import pytest
from planned_dog import ANTIBODY, DOSES, NOW, add_dog, change_owner, propose, sign
from ready_dog import ready_dog
from sqlalchemy import insert

from forecast.accounts.audit import entries
from forecast.dosing.due import Due
from forecast.dosing.plan import Proposal
from forecast.letters.gate import LetterError
from forecast.pages.dog_list import DogLists
from forecast.practice import create_practice, template
from forecast.privacy.papers import drop_letters
from forecast.records import open_records, tables
from forecast.records.dogs import keep_language
from forecast.records.handovers import handovers_of
from forecast.records.plans import plan_of
from jobs import letters
from jobs.letters import write_cancellations, write_letters, write_recall

REX, BO = f"rex-{ANTIBODY.id}", f"bo-{ANTIBODY.id}"


@pytest.fixture
def practice(tmp_path):
    return create_practice(tmp_path / "practice", template(), now=NOW)


@pytest.fixture
def records(practice):
    opened = open_records(practice)
    add_dog(opened, "rex", number="D1")
    add_dog(opened, "mo", number="D2", name="Mo", consent="no")
    for dog_id in ("rex", "mo"):
        propose(opened, dog_id, plan_id=f"p-{dog_id}", doses=DOSES, at=NOW)
        sign(opened, plan_of(opened, f"p-{dog_id}"), dog=ready_dog(), at=NOW)
    yield opened
    opened.close()


def test_all_that_was_signed_and_not_told_is_written_once(practice, records):
    """Letter twice, calendar once; whose owner refused is said; a second run has nothing to do."""
    done = write_letters(practice, records, dogs=None, therapy=ANTIBODY.id)
    assert sorted(path.name for path in done.files) == [
        *(f"calendar-{REX}.ics", f"letter-{REX}.html", f"letter-{REX}.pdf")
    ]
    assert [path.stat().st_mode & 0o077 for path in done.files] == [0, 0, 0]
    assert len(done.refused) == 1
    assert "D2; the owner does not wish" in done.refused[0]
    assert [one.kind for one in handovers_of(records, "rex")] == ["letter", "calendar"]
    assert [one.action for one in entries(records, newest=2) if one.subject == "rex"] == [
        *("calendar handed over", "letter handed over")
    ]
    again = write_letters(practice, records, dogs=None, therapy=ANTIBODY.id)
    assert again.files == []


def test_a_letter_that_went_out_is_told_where_its_calendar_is_refused(
    practice, records, monkeypatch
):
    """Somebody decided on the plan anew in between: the file is there, and was handed over."""

    def refuse(*_, **__):
        raise LetterError("a calendar was to be handed over; its plan is withdrawn")

    monkeypatch.setattr(letters, "hand_over_calendar", refuse)
    done = write_letters(practice, records, dogs=["rex"], therapy=ANTIBODY.id)
    assert [path.name for path in done.files] == [f"letter-{REX}.pdf", f"letter-{REX}.html"]
    assert done.refused == ["a calendar was to be handed over; its plan is withdrawn"]
    assert [one.kind for one in handovers_of(records, "rex")] == ["letter"]


def test_each_letter_is_in_its_owners_language_and_it_is_said_how_many_are(practice, records):
    add_dog(records, "bo", number="D3", name="Bo")
    propose(records, "bo", plan_id="p-bo", doses=DOSES, at=NOW)
    sign(records, plan_of(records, "p-bo"), dog=ready_dog(), at=NOW)
    with records.writing() as connection:
        keep_language(connection, "rex-owner", "de")
    done = write_letters(practice, records, dogs=None, therapy=ANTIBODY.id)
    assert done.languages == {"German": 1, "English": 1}
    written = {path.name: path.read_text() for path in done.files if path.suffix != ".pdf"}
    assert '<html lang="de">' in written[f"letter-{REX}.html"]
    assert '<html lang="en">' in written[f"letter-{BO}.html"]
    assert "LANGUAGE=de:Rex" in written[f"calendar-{REX}.ics"]
    assert "LANGUAGE=en:Bo" in written[f"calendar-{BO}.ics"]


def test_a_plan_to_hold_a_slot_is_told_once_and_again_once_it_was_signed_anew(practice, records):
    """It has no dates to know it by; neither has a plan whose days are over."""
    to_hold = {"doses": (), "proposal": Proposal.HOLD_A_SLOT}
    for number, plan_id in enumerate(("slot", "later"), start=1):
        at = NOW + timedelta(hours=number)
        propose(records, "rex", plan_id=plan_id, at=at, **to_hold)
        sign(records, plan_of(records, plan_id), dog=ready_dog(), at=at)
        then = replace(practice, now=at + timedelta(minutes=5))
        done = write_letters(then, records, dogs=None, therapy=ANTIBODY.id)
        assert sorted(path.name for path in done.files) == [
            f"letter-{REX}.html",
            f"letter-{REX}.pdf",
        ]
        assert write_letters(then, records, dogs=None, therapy=ANTIBODY.id).files == []
    assert [one.plan_id for one in handovers_of(records, "rex")] == ["slot", "later"]


def test_a_plan_whose_told_days_are_over_is_not_told_again(practice, records):
    write_letters(practice, records, dogs=["rex"], therapy=ANTIBODY.id)
    later = replace(practice, now=NOW + timedelta(days=100))
    assert write_letters(later, records, dogs=None, therapy=ANTIBODY.id).files == []


def test_a_death_cancels_what_went_out(practice, records):
    write_letters(practice, records, dogs=["rex"], therapy=ANTIBODY.id)
    assert write_cancellations(practice, records).files == []
    row = {"dog_id": "rex", "status": "dead", "date": NOW.date(), "day_given": True}
    with records.writing() as connection:
        connection.execute(insert(tables.dog_status).values(**row))
    (path,) = write_cancellations(practice, records).files
    calendar = icalendar.Calendar.from_ical(path.read_bytes())
    assert [str(one["status"]) for one in calendar.walk("VEVENT")] == ["CANCELLED"] * 2
    assert write_cancellations(practice, records).files == []


def test_a_dog_that_changed_hands_is_told_to_both_owners(practice, records):
    """The cancellation has a name of its own and says for whom it is; the new owner is told all."""
    write_letters(practice, records, dogs=["rex"], therapy=ANTIBODY.id)
    change_owner(records, "rex", "bo")
    told = write_letters(practice, records, dogs=None, therapy=ANTIBODY.id)
    assert len(told.files) == 3
    assert "Dear Bo Puddlewright," in told.files[1].read_text(encoding="utf-8")
    done = write_cancellations(practice, records)
    (path,) = done.files
    assert path.name == f"cancelled-{REX}-rex-owner.ics"
    assert done.remarks == [f"{path.name} goes to Ada Quillfeather, who had dog D1 before"]
    assert [one.subject for one in entries(records, newest=2)] == ["rex-owner", "rex"]
    for again in (
        write_letters(practice, records, dogs=None, therapy=ANTIBODY.id),
        write_cancellations(practice, records),
    ):
        assert again.files == []


def test_the_recall_list_has_contacts_of_those_who_agreed_alone(practice, records):
    dogs = DogLists().listed(practice, records).rows
    assert {one.due for one in dogs} == {Due.WORK_UP}
    found, files = write_recall(practice, records, dogs, within=60)
    assert [one.number for one in found.left_out] == ["D2"]
    assert "ada@forepaw.invalid" in files[0].read_text(encoding="utf-8-sig")
    assert "Mo" not in files[0].read_text(encoding="utf-8-sig")


def test_old_files_go_by_themselves(practice, records):
    """They can be made again; new ones stay."""
    write_letters(practice, records, dogs=["rex"], therapy=ANTIBODY.id)
    assert drop_letters(practice, before=(datetime.now(UTC) - timedelta(days=1)).timestamp()) == 0
    assert drop_letters(practice, before=(datetime.now(UTC) + timedelta(days=1)).timestamp()) == 3


def test_a_letter_without_dates_is_written_once_and_one_of_past_dates_never(practice, records):
    """`--all` each morning must not write the same to an owner each morning."""
    add_dog(records, "bo", number="D3", name="Bo")
    propose(records, "bo", plan_id="p-bo", doses=(), proposal=Proposal.HOLD_A_SLOT, at=NOW)
    sign(records, plan_of(records, "p-bo"), dog=ready_dog(), at=NOW)
    late = replace(practice, now=NOW + timedelta(days=300))
    done = write_letters(late, records, dogs=None, therapy=ANTIBODY.id)
    assert sorted(path.name for path in done.files) == [f"letter-{BO}.html", f"letter-{BO}.pdf"]
    assert done.refused == []
    assert write_letters(late, records, dogs=None, therapy=ANTIBODY.id).files == []
