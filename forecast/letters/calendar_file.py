"""A calendar as a file: iCalendar (RFC 5545), published with the practice as its organizer.

Days without a booked time are DATE values, which mean that day wherever they are read; a booked
time names the time zone where the dog is seen, whose rules stand in the same file. A file in which
nothing stands any more is METHOD:CANCEL, every other METHOD:PUBLISH (RFC 5546, 3.2.1 and 3.2.5).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from icalendar import Alarm, Calendar, vCalAddress
from icalendar import Event as Component

from forecast.languages import Language
from forecast.letters import messages
from forecast.letters.events import Event, What
from forecast.letters.plain_words import ALWAYS, CARE_NOW
from forecast.settings import Settings
from forecast.wording import INVENTED
from models.parameters import ParameterTable, load_table

MEDIA_TYPE = "text/calendar"
_PRODUCT = "-//forepaw//Visits and weeks to watch//{language}"
_NO_ADDRESS = (
    "invalid:nomail"  # an organizer is asked for, also of a practice that gives no address
)


@dataclass(frozen=True)
class Subject:
    """Whom a calendar is about, where the dog is seen, and in which language it is written.

    The name stays out of `repr`; `speaks` is a language of `catalogues`.
    """

    dog: str = field(repr=False)
    place: str
    zone: ZoneInfo
    speaks: Language


def calendar_file(
    settings: Settings, subject: Subject, events: Sequence[Event], *, now: datetime
) -> bytes:
    """Return events as an iCalendar file, with CRLF, folded at 75 octets.

    Parameters
    ----------
    settings
        Of the practice: its name, telephones and mail address.
    subject
        The dog, and where and by which clock it is seen.
    events
        What the owner's calendar is to hold.
    now
        The moment at which the file is made (DTSTAMP).
    """
    made = Calendar()
    made.add("prodid", _PRODUCT.format(language=subject.speaks.code.upper()))
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    over = bool(events) and all(one.is_cancelled for one in events)
    made.add("method", "CANCEL" if over else "PUBLISH")
    for one in events:
        made.add_component(_component(settings, subject, one, now))
    made.add_missing_timezones()
    return bytes(made.to_ical())


def _component(settings: Settings, subject: Subject, one: Event, now: datetime) -> Component:
    planned, made = one.planned, Component()
    # text holds no control signs (RFC 5545, 3.3.11); a register holds what somebody typed
    subject = replace(
        subject, dog="".join(s if s.isprintable() or s == "\n" else " " for s in subject.dog)
    )
    made.add("uid", one.uid)
    made.add("dtstamp", now.astimezone(UTC))
    made.add("sequence", one.sequence)
    made.add("status", "CANCELLED" if one.is_cancelled else "CONFIRMED")
    speaks, written_in = subject.speaks, {"LANGUAGE": subject.speaks.code}  # RFC 5545, 3.2.10
    dog = subject.dog or speaks.say(messages.NO_NAME_FIRST)
    made.add("summary", speaks.say(_SUMMARY[planned.what], dog=dog), written_in)
    if planned.at is None:
        made.add("dtstart", planned.day)
        made.add("dtend", planned.last + timedelta(days=1))  # the first day that is not of it
    else:
        begins = datetime.combine(planned.day, planned.at, tzinfo=subject.zone)
        made.add("dtstart", begins)
        made.add("dtend", begins + timedelta(minutes=_table().number("visit.length")))
    made.add("transp", "TRANSPARENT" if planned.at is None else "OPAQUE")
    made.add("class", "PRIVATE")
    made["organizer"] = _organizer(settings)
    if planned.what is What.VISIT:
        made.add("location", ", ".join([subject.place, *settings.letters.address]))
    if not one.is_cancelled:
        made.add("description", _description(settings, subject, planned.what), written_in)
        if planned.what is What.VISIT:
            made.add_component(_reminder(str(made["summary"]), has_time=planned.at is not None))
    return made


def _organizer(settings: Settings) -> vCalAddress:
    mail = settings.letters.mail
    made = vCalAddress(f"mailto:{mail}" if mail else _NO_ADDRESS)
    made.params["CN"] = settings.practice.name
    return made


def _reminder(words: str, *, has_time: bool) -> Alarm:
    """Remind once; of a day without a time at a waking hour of the day before."""
    hours = _table().number("reminder.before_time" if has_time else "reminder.before_day")
    made = Alarm()
    made.add("action", "DISPLAY")
    made.add("description", words)
    made.add("trigger", -timedelta(hours=hours))
    return made


_SUMMARY = {What.VISIT: messages.VISIT, What.WATCH: messages.WATCH}
_FIRST = {What.VISIT: messages.BOOK_IF_NONE, What.WATCH: messages.LOOK_OFTEN}


def _description(settings: Settings, subject: Subject, what: What) -> str:
    of, speaks = settings.letters, subject.speaks
    dog = subject.dog or speaks.say(messages.NO_NAME)
    lines = [speaks.say(INVENTED)] if settings.practice.invented else []
    lines += [speaks.say(one, dog=dog) for one in (_FIRST[what], *ALWAYS.values())]
    signs = "; ".join(speaks.say(one, dog=dog) for one in CARE_NOW.values())
    lines += [speaks.say(messages.CALL_NOW_IF, signs=signs)]
    for sentence, number in (
        (messages.TELEPHONE_SENTENCE, of.phone),
        (messages.TELEPHONE_AT_NIGHT_SENTENCE, of.emergency_phone),
    ):
        lines += [speaks.say(sentence, phone=number)] if number else []
    return "\n".join(lines)


def _table() -> ParameterTable:
    return load_table("forecast.letters", "calendar.toml")
