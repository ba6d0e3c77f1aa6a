"""Shifts as a calendar file (iCalendar, RFC 5545), for a person's or a branch's calendar."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime, timedelta
from hashlib import sha256
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event

from forecast.regions import DAY_NAMES, Branch
from forecast.staffing.inputs import BranchHours
from forecast.staffing.roster import Shift
from forecast.staffing.told_before import ToldShift, as_told
from forecast.staffing.words import shift_words
from forecast.wording import one_line
from models.weeks import monday_of

PRODUCT = "-//forepaw//staffing//EN"
_UID_LETTERS = 32


def shifts_calendar(
    shifts: Sequence[Shift],
    *,
    cancelled: Sequence[ToldShift] = (),
    hours: Mapping[str, BranchHours],
    people: Mapping[str, str],
    zone_of: Callable[[str], str],
    changed_at: datetime,
    agreed: Collection[date],
    name: str,
) -> bytes:
    """Return shifts as a calendar file.

    A shift begins when its branch opens on that day and ends when so many opening hours are over,
    or the branch closes; where opening hours are not known it is a day without hours. The same
    day, branch, role and person has the same UID in every file, so that a later one changes an
    entry and makes no second; so has the first locum of a day, branch and role. What was told
    before and does not stand is told once more, as cancelled (RFC 5545, 3.8.1.11 and 3.8.7.4).

    Parameters
    ----------
    cancelled
        Shifts of earlier files that no longer stand.
    hours
        When branches open, on which day.
    people
        What members of staff are called, by their random ids.
    zone_of
        The time zone of a branch.
    changed_at
        When the roster last changed, by a plan or an agreement: the entries' DTSTAMP and sequence.
    agreed
        Mondays of the weeks whose shifts are confirmed; all others are tentative.
    """
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH" if shifts or not cancelled else "CANCEL")
    calendar.add("x-wr-calname", one_line(name))
    entries = [
        (told, "CONFIRMED" if monday_of(told.shift.day) in agreed else "TENTATIVE")
        for told in as_told(shifts)
    ]
    for told, status in [*entries, *((told, "CANCELLED") for told in cancelled)]:
        event, shift = Event(), told.shift
        event.add("uid", _uid(told))
        event.add("dtstamp", changed_at)
        event.add("sequence", int(changed_at.timestamp()) // 60)  # a later one's is larger
        event.add("status", status)
        branch = hours[shift.branch].on(shift.day)
        _add_times(event, shift, branch, zone_of(shift.branch))
        place = one_line(branch.name)  # a table holds what somebody typed, line breaks too
        event.add("summary", one_line(f"{shift_words(shift, people)}: {shift.role}, {place}"))
        event.add("location", place)
        calendar.add_component(event)
    calendar.add_missing_timezones()
    return bytes(calendar.to_ical())


def _uid(told: ToldShift) -> str:
    shift = told.shift
    who = shift.person or f"locum {told.number}"
    text = f"{shift.day} {shift.branch} {shift.role} {who}"
    return f"{sha256(text.encode()).hexdigest()[:_UID_LETTERS]}@forepaw.invalid"


def _add_times(event: Event, shift: Shift, branch: Branch, zone: str) -> None:
    spans = [one for one in branch.hours if one.day == DAY_NAMES[shift.day.weekday()]]
    if not spans:
        event.add("dtstart", shift.day)
        event.add("dtend", shift.day + timedelta(days=1))
        return
    at = ZoneInfo(zone)
    event.add("dtstart", datetime.combine(shift.day, spans[0].opens, at))
    left, ends = timedelta(hours=shift.hours), datetime.combine(shift.day, spans[-1].closes, at)
    for span in spans:
        opens, closes = (datetime.combine(shift.day, one, at) for one in (span.opens, span.closes))
        if left <= closes - opens:
            ends = opens + left
            break
        left -= closes - opens
    event.add("dtend", ends)
