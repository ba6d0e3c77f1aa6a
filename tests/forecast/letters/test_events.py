"""What an owner's calendar holds, through changes and a cancel; every file parses."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.letters.calendar_file import Subject, calendar_file
from forecast.letters.catalogues import CATALOGUES
from forecast.letters.events import (
    What,
    all_cancelled,
    as_kept,
    from_kept,
    planned_events,
    revised,
    standing,
)
from forecast.letters.gate import LetterError
from forecast.practice import parse_settings, template

TODAY = date(2023, 3, 1)
NOW = datetime(2023, 3, 1, 1, tzinfo=UTC)
FIRST, SECOND = date(2023, 3, 27), date(2023, 5, 8)
WEEKS = (date(2023, 6, 19), date(2023, 6, 26))
SETTINGS = parse_settings(template() + '\n[letters]\nmail = "desk@practice.example"\n')
SEOUL = ZoneInfo("Asia/Seoul")


def wanted(*doses, weeks=WEEKS, **more):
    return planned_events(doses, weeks, today=TODAY, **more)


def parsed(events, *, name="Rex", of=SETTINGS, zone=SEOUL, code="en"):
    subject = Subject(name, "North", zone, CATALOGUES.language(code))
    raw = calendar_file(of, subject, events, now=NOW)
    return raw, icalendar.Calendar.from_ical(raw)


def visits(events):
    return [one for one in events if one.planned.what is What.VISIT]


# ------------------------------------------------------------------------------------- revisions
def test_what_did_not_move_keeps_its_uid_and_sequence():
    """The same plan again changes nothing."""
    held = revised([], wanted(FIRST, SECOND), today=TODAY)
    assert [one.sequence for one in held] == [0, 0, 0]
    assert len({one.uid for one in held}) == 3
    assert revised(held, wanted(FIRST, SECOND), today=TODAY) == held


def test_what_moves_keeps_its_uid_and_raises_its_sequence():
    held = revised([], wanted(FIRST, SECOND), today=TODAY)
    later = SECOND + timedelta(days=7)
    moved = revised(held, wanted(FIRST, later), today=TODAY)
    assert [one.uid for one in moved] == [one.uid for one in held]
    assert [(one.planned.day, one.sequence) for one in visits(moved)] == [(FIRST, 0), (later, 1)]


def test_a_dose_that_goes_is_cancelled_under_its_uid_and_one_that_comes_has_a_new_one():
    held = revised([], wanted(FIRST, SECOND), today=TODAY)
    fewer = revised(held, wanted(FIRST), today=TODAY)
    gone = next(one for one in fewer if one.is_cancelled)
    assert (gone.uid, gone.sequence) == (visits(held)[1].uid, 1)
    more = revised(held, wanted(FIRST, SECOND, date(2023, 7, 3)), today=TODAY)
    assert visits(more)[2].uid not in {one.uid for one in held}
    assert visits(more)[:2] == visits(held)


def test_a_booked_time_stays_until_the_day_moves_or_another_is_booked():
    held = revised([], wanted(FIRST, times={FIRST: time(10, 30)}), today=TODAY)
    assert revised(held, wanted(FIRST), today=TODAY) == held
    again = revised(held, wanted(FIRST, times={FIRST: time(9)}), today=TODAY)
    assert [(one.planned.at, one.sequence) for one in visits(again)] == [(time(9), 1)]
    moved = revised(held, wanted(SECOND), today=TODAY)
    assert [(one.planned.at, one.sequence) for one in visits(moved)] == [(None, 1)]


def test_a_booked_time_is_taken_back_where_it_is_said_so():
    """The day stays; a day that the plan no longer has is no fault, as nothing is booked then."""
    held = revised([], wanted(FIRST, SECOND, times={FIRST: time(10, 30)}), today=TODAY)
    nothing = dict.fromkeys((FIRST, date(2023, 3, 28)))
    freed = revised(held, wanted(FIRST, SECOND, times=nothing), today=TODAY)
    assert [(one.planned.at, one.sequence) for one in visits(freed)] == [(None, 1), (None, 0)]
    assert [one.uid for one in freed] == [one.uid for one in held]
    assert revised(freed, wanted(FIRST, SECOND), today=TODAY) == freed


def test_a_time_for_a_day_without_a_dose_is_refused():
    with pytest.raises(LetterError, match="2023-03-28; the plan's days ahead are 2023-03-27"):
        wanted(FIRST, times={date(2023, 3, 28): time(9)})


def test_days_that_have_passed_are_left_alone():
    """After the first dose a cancel touches the second alone."""
    held = revised([], wanted(FIRST, SECOND, weeks=()), today=TODAY)
    ended = all_cancelled(held, today=FIRST + timedelta(days=1))
    assert [(one.planned.day, one.is_cancelled) for one in ended] == [(SECOND, True)]
    assert standing(ended, today=TODAY) == []


def test_weeks_to_watch_that_have_begun_do_not_move_day_by_day():
    held = revised([], wanted(FIRST), today=TODAY)
    within = WEEKS[0] + timedelta(days=3)
    watch = [one for one in held if one.planned.what is What.WATCH]
    again = planned_events((FIRST,), WEEKS, today=within)
    assert revised(held, again, today=within) == watch


_DAYS = st.sets(st.integers(0, 60).map(lambda n: TODAY + timedelta(days=n)), max_size=5)


@settings(max_examples=40)
@given(st.lists(_DAYS, min_size=1, max_size=5))
def test_however_often_a_plan_changes_the_owner_has_what_was_signed_last(plans):
    """A calendar that takes each file in, by UID and SEQUENCE, ends with the days of the last."""
    held, calendar = [], {}
    for days in plans:
        held = revised(held, planned_events(days, (), today=TODAY), today=TODAY)
        held = from_kept(as_kept(held))
        for one in held:
            known = calendar.get(one.uid)
            assert known is None or one == known or one.sequence > known.sequence
            calendar[one.uid] = one
        shown = sorted(one.planned.day for one in calendar.values() if not one.is_cancelled)
        assert shown == sorted(days)


# ----------------------------------------------------------------------------------------- files
def test_a_file_parses_and_says_what_rfc_5545_asks_for():
    """Lines of 75 octets at most with CRLF; each event with UID, DTSTAMP in UTC, SEQUENCE."""
    events = revised([], wanted(FIRST, SECOND, times={FIRST: time(10, 30)}), today=TODAY)
    raw, calendar = parsed(events, name="Réx, the; best\\\nin 서울")
    lines = raw.split(b"\r\n")
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)
    assert (calendar["version"], calendar["method"]) == ("2.0", "PUBLISH")
    assert calendar["prodid"]
    made = calendar.walk("VEVENT")
    assert len({str(one["uid"]) for one in made}) == 3
    for one in made:
        assert one["dtstamp"].dt == NOW
        assert one["status"] == "CONFIRMED"
        assert str(one["organizer"]) == "mailto:desk@practice.example"
        assert "Réx, the; best\\\nin 서울" in one["summary"]
        assert "not a prescription" in one["description"]
        assert "Call us at once if" in one["description"]


def test_days_are_dates_and_a_booked_time_is_that_of_the_dogs_branch():
    """10:30 in Seoul is 01:30 UTC; DTEND of a day is the next, of two weeks the day after."""
    events = revised([], wanted(FIRST, SECOND, times={FIRST: time(10, 30)}), today=TODAY)
    _, calendar = parsed(events)
    timed, day, weeks = calendar.walk("VEVENT")
    assert timed["dtstart"].dt.astimezone(UTC) == datetime(2023, 3, 27, 1, 30, tzinfo=UTC)
    assert timed["dtstart"].params["TZID"] == "Asia/Seoul"
    assert calendar.walk("VTIMEZONE")[0]["tzid"] == "Asia/Seoul"
    assert (day["dtstart"].dt, day["dtend"].dt) == (SECOND, date(2023, 5, 9))
    assert (weeks["dtstart"].dt, weeks["dtend"].dt) == (date(2023, 6, 19), date(2023, 7, 3))
    assert weeks["transp"] == "TRANSPARENT"


def test_a_time_in_summer_is_an_hour_off_utc_more_than_one_in_winter():
    """Berlin: 10:30 on 20 March 2023 is 09:30 UTC, on 27 March, after the change, 08:30."""
    zone, winter = ZoneInfo("Europe/Berlin"), date(2023, 3, 20)
    times = {winter: time(10, 30), FIRST: time(10, 30)}
    events = revised([], wanted(winter, FIRST, weeks=(), times=times), today=TODAY)
    _, calendar = parsed(events, zone=zone)
    begins = [one["dtstart"].dt.astimezone(UTC).time() for one in calendar.walk("VEVENT")]
    assert begins == [time(9, 30), time(8, 30)]


def test_it_reminds_once_and_of_visits_alone():
    """A visit without a time at ten in the morning before: 14 hours back from midnight."""
    _, calendar = parsed(revised([], wanted(FIRST, SECOND), today=TODAY))
    alarms = [one.walk("VALARM") for one in calendar.walk("VEVENT")]
    assert [len(one) for one in alarms] == [1, 1, 0]
    assert alarms[0][0]["trigger"].dt == -timedelta(hours=14)


def test_a_change_and_a_cancel_hold():
    """A change is published with what goes cancelled in it; the end of all is METHOD:CANCEL."""
    held = revised([], wanted(FIRST, SECOND, weeks=()), today=TODAY)
    changed = revised(held, wanted(FIRST, weeks=()), today=TODAY)
    _, calendar = parsed(changed)
    told = {str(one["uid"]): (one["status"], one["sequence"]) for one in calendar.walk("VEVENT")}
    first, second = held
    assert told == {first.uid: ("CONFIRMED", 0), second.uid: ("CANCELLED", 1)}
    assert calendar["method"] == "PUBLISH"
    _, ended = parsed(all_cancelled(changed, today=TODAY))
    told = {str(one["uid"]): (one["status"], one["sequence"]) for one in ended.walk("VEVENT")}
    assert told == {first.uid: ("CANCELLED", 1), second.uid: ("CANCELLED", 1)}
    assert ended["method"] == "CANCEL"
    assert ended.walk("VALARM") == []


def test_a_practice_without_a_mail_address_is_named_all_the_same():
    """RFC 5546 asks for an organizer of what is published."""
    bare = parse_settings(template())
    _, calendar = parsed(revised([], wanted(FIRST), today=TODAY), of=bare)
    organizer = calendar.walk("VEVENT")[0]["organizer"]
    assert (str(organizer), organizer.params["CN"]) == ("invalid:nomail", "Our practice")


def test_what_is_kept_comes_back():
    held = revised([], wanted(FIRST, SECOND, times={FIRST: time(10, 30)}), today=TODAY)
    ended = [replace(held[0], is_cancelled=True), *held[1:]]
    assert from_kept(as_kept(ended)) == ended


def test_a_name_with_control_signs_writes_no_line_of_its_own():
    """RFC 5545, 3.3.11: text holds none but a line break, which is written as two signs."""
    raw, calendar = parsed(revised([], wanted(FIRST), today=TODAY), name="R\0e\x07x\r\nATTACH:x")
    assert not any(sign in raw for sign in (b"\0", b"\x07", b"\nATTACH"))
    assert len(calendar.walk("VEVENT")) == 2
