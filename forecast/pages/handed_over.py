"""What went out to owners, as pages show it: hand-overs, calendars to put right, days shut."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date

from forecast.accounts.roles import Right
from forecast.dosing.open_days import open_days
from forecast.letters.calendars_due import CalendarDue, Task, calendars_due
from forecast.pages.page import Asked

THE_OWNER, OWNER_BEFORE = "the owner", "the owner before"


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

    `owner_id` and `therapy` tell which one it is. `owner` is that of its present owner or of the
    one before, with the practice's number for whoever may see contacts.
    """

    dog_id: str
    number: str
    name: str
    what: str
    why: str
    owner: str
    days: tuple[date, ...]
    may_cancel: bool
    owner_id: str
    therapy: str = field(repr=False)


def calendars_shown(
    asked: Asked, *, dog_id: str | None = None, only: Collection[str] | None = None
) -> tuple[CalendarShown, ...]:
    """Return the calendars to put right, of one dog, or of some by id, if asked so."""
    due = calendars_due(asked.practice, asked.records, dog_id=dog_id)
    return tuple(_shown(asked, one) for one in due if only is None or one.gate.dog_id in only)


def _shown(asked: Asked, one: CalendarDue) -> CalendarShown:
    assert asked.account is not None
    owner = THE_OWNER
    if one.owner_before:
        number = one.owner_before if asked.account.may(Right.SEE_CONTACTS) else ""
        owner = f"{OWNER_BEFORE} {number}".strip()
    return CalendarShown(
        dog_id=one.gate.dog_id,
        number=one.gate.number,
        name=one.gate.name,
        what=str(one.task),
        why=one.why,
        owner=owner,
        days=one.days,
        may_cancel=one.task is Task.CANCEL,
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
