"""One dog's plan against the alternatives on one time axis: doses, and weeks left uncovered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from forecast.dosing.schedule import Outcome
from models.weeks import DAYS_IN_WEEK

WIDE = 600.0  # of the box it is drawn in
_ROW, _TOP = 36.0, 16.0  # a way's words stand above its doses, clear of those before
_SHORTEST = timedelta(days=56)  # of the axis


@dataclass(frozen=True)
class Lane:
    """One way of dosing: its words, its height in the box, and where its doses lie."""

    words: str
    y: float
    doses: tuple[float, ...]
    text: str


@dataclass(frozen=True)
class Timeline:
    """The picture: lanes, spans of weeks left uncovered, beginnings of months, and its words."""

    high: float
    lanes: tuple[Lane, ...]
    uncovered: tuple[tuple[float, float], ...]
    months: tuple[tuple[float, str], ...]
    text: str


@dataclass(frozen=True)
class Way:
    """One way of dosing and what it is expected to give."""

    name: str
    dates: tuple[date, ...]
    expected_doses: float
    uncovered_risk: float
    total: float
    is_best: bool


def ways(trade: Sequence[Outcome]) -> tuple[Way, ...]:
    """Return the ways that were compared, the least total cost first."""
    ordered = sorted(trade, key=lambda one: one.total)
    return tuple(
        Way(**vars(one) | {"dates": tuple(one.dates)}, is_best=at == 0)
        for at, one in enumerate(ordered)
    )


def timeline(
    shown: tuple[str, Sequence[date]],
    trade: Sequence[Outcome],
    uncovered: Sequence[tuple[date, date]],
    *,
    today: date,
) -> Timeline | None:
    """Draw a plan (its words and doses) and the dated alternatives; None where nothing has a day.

    What is past is not drawn, as the axis begins today. Ways that follow the itch have no dates to
    be drawn; the table beside it has them.
    """
    words, doses = shown
    ours = [day for day in doses if day >= today]
    rows = [(words, ours)] if ours else []
    for one in trade:
        ahead = [day for day in one.dates if day >= today]
        if ahead and all(ahead != own for _, own in rows):
            rows.append((one.name, ahead))
    uncovered = [(first, last) for first, last in uncovered if last >= today]
    if not rows:
        return None
    days = [day for _, own in rows for day in own] + [last for _, last in uncovered]
    last = max([today + _SHORTEST, *(day + timedelta(days=DAYS_IN_WEEK) for day in days)])
    span = (last - today).days

    def at(day: date) -> float:
        return round(WIDE * min(max((day - today).days, 0), span) / span, 1)

    lanes = tuple(
        Lane(name, _TOP + _ROW * n, tuple(at(day) for day in own), ", ".join(map(str, own)))
        for n, (name, own) in enumerate(rows)
    )
    spans = tuple((at(first), at(end + timedelta(days=1))) for first, end in uncovered)
    told = [f"{one.words}: {one.text or 'no dose ahead'}" for one in lanes]
    told += [f"mostly uncovered {first} to {end}" for first, end in uncovered]
    high = _TOP + _ROW * max(len(lanes), 1)
    return Timeline(
        high, lanes, spans, _months(today, last, at), f"Doses by day. {'; '.join(told)}."
    )


def _months(first: date, last: date, at: Callable[[date], float]) -> tuple[tuple[float, str], ...]:
    found, day = [], (first.replace(day=1) + timedelta(days=32)).replace(day=1)
    while day <= last:
        found.append((at(day), f"{day:%b}"))
        day = (day + timedelta(days=32)).replace(day=1)
    return tuple(found)
