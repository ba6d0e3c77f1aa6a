"""What an owner's calendar holds of a dog, and how it is revised when a plan changes or ends.

Each event keeps its UID for good. What moves has its SEQUENCE raised; what no longer stands is
cancelled by the same UID with a raised SEQUENCE (RFC 5545, 3.8.7.4 and 3.8.1.11). Days that have
passed are left alone: they are the owner's past.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, time
from enum import StrEnum
from typing import Any
from uuid import uuid4

from forecast.letters.gate import LetterError
from forecast.wording import runs


class What(StrEnum):
    """What an event is for."""

    VISIT = "visit"
    WATCH = "weeks to watch"


@dataclass(frozen=True)
class Planned:
    """One thing that a plan puts into a calendar; `last` is the last day of it, `at` a booked time.

    Times are those of the clock where the dog is seen. Without one, `keeps_time` says whether one
    that was booked before stands.
    """

    what: What
    day: date
    last: date
    at: time | None = None
    keeps_time: bool = field(default=True, compare=False)


@dataclass(frozen=True)
class Event:
    """One event as the owner's calendar holds it."""

    uid: str
    planned: Planned
    sequence: int = 0
    is_cancelled: bool = False


def planned_events(
    doses: Iterable[date],
    uncovered_weeks: Iterable[date] | None,
    *,
    today: date,
    times: Mapping[date, time | None] | None = None,
) -> list[Planned]:
    """Return what a plan puts into a calendar from today on: its visits, and weeks to watch.

    Of `times`, None takes back what was booked on that day; on days not named it stands.

    Raises
    ------
    LetterError
        If a time is given for a day on which the plan has no dose ahead.
    """
    days = sorted(day for day in doses if day >= today)
    booked = times or {}
    odd = sorted(day for day, at in booked.items() if at is not None and day not in days)
    if odd:
        raise LetterError(
            f"a time was given for {odd[0]}; the plan's days ahead are "
            f"{', '.join(map(str, days)) or 'none'}"
        )
    found = [
        Planned(What.VISIT, day, day, booked.get(day), keeps_time=day not in booked) for day in days
    ]
    spans = runs(sorted(uncovered_weeks or ()))
    return found + [Planned(What.WATCH, first, last) for first, last in spans if last >= today]


def revised(held: Sequence[Event], wanted: Sequence[Planned], *, today: date) -> list[Event]:
    """Return what the calendar holds once it shows what is wanted.

    Of events that no longer fit, each is moved to the next thing wanted of its kind, in the order
    of days; what is left over is cancelled. A time once booked stays, until the day moves, another
    is given or it is taken back.
    """
    ahead = [one for one in held if one.planned.last >= today]
    gone = [one for one in ahead if one.is_cancelled]
    found: list[Event] = []
    for kind in What:
        standing = [one for one in ahead if one.planned.what is kind and not one.is_cancelled]
        ours = [one for one in wanted if one.what is kind]
        found += _fitted(standing, ours)
    return sorted([*gone, *found], key=lambda one: (one.planned.day, one.uid))


def _fitted(standing: list[Event], wanted: list[Planned]) -> list[Event]:
    found, left = [], []
    for one in wanted:
        same = next((e for e in standing if e.planned.day == one.day), None)
        if same is None:
            left.append(one)
            continue
        standing.remove(same)
        kept = same.planned.at if one.keeps_time else None
        found.append(_moved(same, replace(one, at=one.at or kept)))
    standing.sort(key=lambda one: one.planned.day)
    for one in left:
        found.append(_moved(standing.pop(0), one) if standing else Event(str(uuid4()), one))
    return found + [_cancelled(one) for one in standing]


def all_cancelled(held: Sequence[Event], *, today: date) -> list[Event]:
    """Return what the calendar holds once nothing ahead stands any more."""
    return revised(held, (), today=today)


def standing(held: Iterable[Event], *, today: date) -> list[Event]:
    """Return the events that an owner still has ahead."""
    return [one for one in held if not one.is_cancelled and one.planned.last >= today]


def _moved(one: Event, to: Planned) -> Event:
    if one.planned == to:
        return one
    return replace(one, planned=to, sequence=one.sequence + 1)


def _cancelled(one: Event) -> Event:
    return replace(one, is_cancelled=True, sequence=one.sequence + 1)


# ----------------------------------------------------------------------------------- as kept
def as_kept(events: Iterable[Event]) -> tuple[dict[str, Any], ...]:
    """Return events as plain values, for the records."""
    return tuple(
        {
            "uid": one.uid,
            "what": str(one.planned.what),
            "day": one.planned.day.isoformat(),
            "last": one.planned.last.isoformat(),
            "at": one.planned.at.isoformat("minutes") if one.planned.at else None,
            "sequence": one.sequence,
            "cancelled": one.is_cancelled,
        }
        for one in events
    )


def from_kept(rows: Iterable[Mapping[str, Any]]) -> list[Event]:
    """Return events from what the records kept."""
    return [
        Event(
            row["uid"],
            Planned(
                What(row["what"]),
                date.fromisoformat(row["day"]),
                date.fromisoformat(row["last"]),
                time.fromisoformat(row["at"]) if row["at"] else None,
            ),
            row["sequence"],
            row["cancelled"],
        )
        for row in rows
    ]
