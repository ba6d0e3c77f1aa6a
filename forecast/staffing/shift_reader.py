"""The desk's table of shifts that were really worked: person, day, from, to.

Whoever is on the staff list works in their first skill at the branch of their contract, unless the
row says otherwise; of anybody else, such as a locum or somebody who has left, the row must say it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, time
from typing import Any

import pandas as pd

from forecast.csv_files import CsvTable
from forecast.records.staff import Terms
from forecast.records.worked_shifts import WorkedShift
from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.desk_table import DeskTable, DeskWords, limits
from forecast.visits.rules import earliest_day

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::00)?")
_AS_CLOCK = "a time of the day such as 8:30"


def read_shifts(table: CsvTable, desk: DeskTable, words: DeskWords, today: date) -> None:
    """Read shifts that were worked; those of today at the latest."""
    table.leave_out_empty("person")
    table.parse_days("day", earliest=earliest_day(), latest=today)
    for column in ("from", "to"):
        read = table.rows[column].map(_clock)
        table.leave_out(read.isna(), column, check="not a time of the day", allowed=_AS_CLOCK)
    table.leave_out_unknown("role", ROLES, empty=True)
    table.leave_out_unknown("branch", sorted(words.branches), empty=True)
    _complete(table, desk, words)
    _leave_out_lengths(table)
    table.leave_out_repeated(["person", "day", "from"])
    _leave_out_overlapping(table)
    desk.shifts += [
        WorkedShift(
            row["day"].date(),
            row["branch"],
            row["role"],
            _at(row["from"]),
            _at(row["to"]),
            row["person"],
        )
        for row in table.rows.to_dict("records")
    ]


def _clock(text: str) -> time | None:
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        return None
    hour, minute = (int(part) for part in found.groups())
    return time(hour, minute) if hour < 24 and minute < 60 else None


def _at(text: str) -> time:
    found = _clock(text)
    assert found is not None  # others were left out
    return found


def _hours(row: Mapping[Any, Any]) -> float:
    begins, ends = _at(row["from"]), _at(row["to"])
    return (ends.hour - begins.hour) + (ends.minute - begins.minute) / 60.0


def _complete(table: CsvTable, desk: DeskTable, words: DeskWords) -> None:
    """Fill role and branch from the terms of those who are known; the others must have both."""

    def told(row: Mapping[Any, Any]) -> tuple[str, str]:
        person, role, place = (str(row[name]) for name in ("person", "role", "branch"))
        every = [*words.terms.get(person, ()), *desk.terms.get(person, ())]
        terms = _terms_on(every, row["day"].date())
        return (
            (role, place)
            if terms is None
            else (
                role or terms.skills[0],
                place or terms.branch_id,
            )
        )

    filled = [told(row) for row in table.rows.to_dict("records")]
    table.rows = table.rows.assign(
        role=[role for role, _ in filled], branch=[branch for _, branch in filled]
    )
    table.leave_out(
        (table.rows["role"] == "") | (table.rows["branch"] == ""),
        "person",
        check="nobody on the staff list",
        allowed="a number of the staff list, or any with role and branch in the row",
        fix="add the columns role and branch and fill them in",
    )


def _terms_on(every: Sequence[Terms], day: date) -> Terms | None:
    """Return the terms in force on a day; before the first ones those."""
    ordered = sorted(every, key=lambda one: one.from_date)
    begun = [one for one in ordered if one.from_date <= day]
    return begun[-1] if begun else ordered[0] if ordered else None


def _leave_out_lengths(table: CsvTable) -> None:
    longest = limits().number("worked_shift.longest")
    hours = pd.Series(map(_hours, table.rows.to_dict("records")), table.rows.index, float)
    table.leave_out(
        hours <= 0.0,
        "to",
        check="ends before it begins",
        allowed="a time later on the same day",
        fix="write a shift over midnight as two",
    )
    table.leave_out(
        hours.loc[table.rows.index] > longest,
        "to",
        check="longer than a shift can be",
        allowed=f"up to {longest:g} hours after its beginning",
    )


def _leave_out_overlapping(table: CsvTable) -> None:
    rows = table.rows.to_dict("records")
    until: dict[tuple[str, date], time] = {}
    bad = [False] * len(rows)
    for at in sorted(range(len(rows)), key=lambda n: _at(rows[n]["from"])):
        key = (str(rows[at]["person"]), rows[at]["day"].date())
        if key in until and _at(rows[at]["from"]) < until[key]:
            bad[at] = True
        else:
            until[key] = _at(rows[at]["to"])
    table.leave_out(
        pd.Series(bad, table.rows.index, bool),
        "from",
        check="overlaps another shift of the same person",
        allowed="one place at a time",
        fix="the earlier one was kept",
    )
