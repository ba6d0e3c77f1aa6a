"""Which named snapshots stay: every one at first, later one a week, then one a month."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, datetime
from typing import NamedTuple

from forecast.climate.variables import rules


class Ages(NamedTuple):
    """From which age on one snapshot a week is kept, and one a month [days]."""

    weekly: int
    monthly: int


def ages() -> Ages:
    """Return the ages of the table `rules.toml`."""
    table = rules()
    return Ages(
        int(table.number("snapshots.weekly_after")), int(table.number("snapshots.monthly_after"))
    )


def unnamed_days() -> int:
    """Return for how long a snapshot without a name is kept once a newer one replaced it [days]."""
    return int(rules().number("snapshots.unnamed_for"))


def names_to_keep(
    named_at: Mapping[str, datetime], *, today: date, cited: Collection[str]
) -> set[str]:
    """Return the names that stay, of snapshots given as name -> the moment it was named.

    All younger than 90 days stay (`ages`); of the older ones the newest of each ISO week; of those
    older than two years the newest of each calendar month; and those that are cited. Doing it again
    on what stayed changes nothing.
    """
    newest: dict[tuple[object, ...], str] = {}
    for name, _ in sorted(named_at.items(), key=lambda item: (item[1], item[0])):
        newest[_span(name, named_at[name].date(), today)] = name
    return set(newest.values()) | (set(cited) & set(named_at))


def _span(name: str, day: date, today: date) -> tuple[object, ...]:
    """Return what a snapshot is the newest of: itself, its week or its month.

    Weeks and months are those of their own age alone: else the newest of a month might be in a week
    that has a newer one, and neither would stay.
    """
    age = (today - day).days
    if age < ages().weekly:
        return ("itself", name)
    if age < ages().monthly:
        return ("week", *day.isocalendar()[:2])
    return ("month", day.year, day.month)
