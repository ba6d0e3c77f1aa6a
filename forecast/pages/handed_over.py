"""What went out to owners, as pages show it: hand-overs, calendars to put right, days shut."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date

from forecast.accounts import people
from forecast.accounts.contacts import read_contact
from forecast.accounts.roles import Right
from forecast.dosing.open_days import open_days
from forecast.letters.calendars_due import CalendarDue, Task, calendars_due
from forecast.pages.page import Asked
from forecast.records.handovers import Correspondence, handovers_of
from models.errors import ForepawError

THE_OWNER, OWNER_BEFORE, NEW_OWNER = "the owner", "the owner before", "the new owner"


@dataclass(frozen=True)
class HandedShown:
    """One thing that went out: on which day, what, to whom of the dog's owners, and by whom."""

    day: date
    what: str
    to: str
    who: str


@dataclass(frozen=True)
class CalendarShown:
    """A calendar to put right: what is to be done with whose, why, and the days that it holds.

    `owner_id` and `therapy` tell which one it is, `owner` says whether its owner is the dog's of
    today. `goes_to` is how the owner before is reached, "" for whoever may not hand over.
    """

    dog_id: str
    number: str
    name: str
    what: str
    why: str
    owner: str
    days: tuple[date, ...]
    may_cancel: bool
    goes_to: str = field(repr=False)
    owner_id: str
    therapy: str = field(repr=False)


def handed_shown(asked: Asked, of: Correspondence) -> tuple[HandedShown, ...]:
    """Return what went out of a dog, newest first; `of` tells who owns it now."""
    zone = asked.practice.time_zone
    return tuple(
        HandedShown(
            one.at.astimezone(zone).date(),
            one.kind,
            THE_OWNER if one.of.owner_id in (of.owner_id, None) else OWNER_BEFORE,
            by_whom(asked, one.account_id),
        )
        for one in reversed(handovers_of(asked.records, of.dog_id))
    )


def by_whom(asked: Asked, account_id: str | None) -> str:
    """Return the name of an account, and what stands for it where there is none."""
    if account_id is None:
        return "the command line"
    try:
        return people.account(asked.records, account_id).name or "somebody whose name was erased"
    except ForepawError:
        return "not known"


def calendars_shown(
    asked: Asked, *, dog_id: str | None = None, only: Collection[str] | None = None
) -> tuple[CalendarShown, ...]:
    """Return the calendars to put right, of one dog, or of some by id, if asked so.

    Of one dog alone it is said how an owner before is reached.
    """
    due = calendars_due(asked.practice, asked.records, dog_id=dog_id)
    return tuple(
        _shown(one, "" if dog_id is None else _goes_to(asked, one))
        for one in due
        if only is None or one.gate.dog_id in only
    )


def _goes_to(asked: Asked, one: CalendarDue) -> str:
    """Return how the owner before is reached, which the dog's page does not tell; it is audited."""
    account, owner_id = asked.account, one.of.owner_id
    assert account is not None
    rights = (Right.HAND_OVER, Right.SEE_CONTACTS)
    if not one.is_of_owner_before or owner_id is None or not all(map(account.may, rights)):
        return ""
    read = read_contact(asked.records, owner_id, by=account, now=asked.practice.now)
    return "" if read is None else ", ".join(filter(None, (read.name, read.contact)))


def _shown(one: CalendarDue, goes_to: str) -> CalendarShown:
    owner = NEW_OWNER if one.task is Task.NEW_OWNER else THE_OWNER
    if one.is_of_owner_before:
        owner = OWNER_BEFORE
    return CalendarShown(
        dog_id=one.gate.dog_id,
        number=one.gate.number,
        name=one.gate.name,
        what=str(one.task),
        why=one.why,
        owner=owner,
        days=one.days,
        may_cancel=one.task is Task.CANCEL,
        goes_to=goes_to,
        owner_id=one.of.owner_id or "",
        therapy=one.of.therapy,
    )


def days_shut(asked: Asked, branch: str | None, days: Sequence[date]) -> tuple[date, ...]:
    """Return the days on which a branch gives no doses; none where its opening is not known."""
    if not days or branch is None:
        return ()
    first, last = min(days), max(days)
    opening = open_days(asked.practice, asked.records, first, (last - first).days + 1).get(branch)
    return () if opening is None else tuple(day for day in days if day not in opening)
