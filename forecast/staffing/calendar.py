"""Shifts as a calendar file (iCalendar, RFC 5545), for a person's or a branch's calendar."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime, timedelta
from hashlib import sha256
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event

from forecast.regions import DAY_NAMES, Branch
from forecast.staffing.inputs import BranchHours
from forecast.staffing.roster import Shift
from forecast.staffing.workbook import shift_words
from forecast.wording import one_line
from models.weeks import monday_of

PRODUCT = "-//forepaw//staffing//EN"
_UID_LETTERS = 32


def shifts_calendar(
    shifts: Sequence[Shift],
    *,
    hours: Mapping[str, BranchHours],
    people: Mapping[str, str],
    zone_of: Callable[[str], str],
    made_at: datetime,
    agreed: Collection[date],
    name: str,
) -> bytes:
    """Return shifts as a calendar file.

    A shift begins when its branch opens on that day and ends when so many opening hours are over,
    or the branch closes; where opening hours are not known it is a day without hours. The same
    day, branch, role and person has the same UID in every file, so that a later one changes an
    entry and makes no second; so has the first locum of a day, branch and role.

    Parameters
    ----------
    hours
        When branches open, on which day.
    people
        What members of staff are called, by their random ids.
    zone_of
        The time zone of a branch.
    made_at
        When the plan was made: the entries' DTSTAMP, and their sequence.
    agreed
        Mondays of the weeks whose shifts are confirmed; all others are tentative.
    """
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", one_line(name))
    locums = Counter[tuple[date, str, str]]()
    for shift in shifts:
        event, which = Event(), (shift.day, shift.branch, shift.role)
        locums[which] += shift.person is None
        event.add("uid", _uid(shift, locums[which]))
        event.add("dtstamp", made_at)
        event.add("sequence", int(made_at.timestamp()) // 60)  # a later plan's number is larger
        event.add("status", "CONFIRMED" if monday_of(shift.day) in agreed else "TENTATIVE")
        branch = hours[shift.branch].on(shift.day)
        _add_times(event, shift, branch, zone_of(shift.branch))
        place = one_line(branch.name)  # a table holds what somebody typed, line breaks too
        event.add("summary", one_line(f"{shift_words(shift, people)}: {shift.role}, {place}"))
        event.add("location", place)
        calendar.add_component(event)
    calendar.add_missing_timezones()
    return bytes(calendar.to_ical())


def _uid(shift: Shift, number: int) -> str:
    who = shift.person or f"locum {number}"
    told = f"{shift.day} {shift.branch} {shift.role} {who}"
    return f"{sha256(told.encode()).hexdigest()[:_UID_LETTERS]}@forepaw.invalid"


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
