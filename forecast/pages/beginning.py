"""Before the first forecast: what it takes, and how much of that is held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from forecast.pages.outside import SourceRow
from forecast.records.engine import Records
from forecast.records.imports import LIVE, ImportedFile, imported_files
from forecast.wording import full_day

NONE_HELD = "none yet"
WEATHER = "weather"
# What is brought, in the order in which files want to come, and what it is needed for.
_TAKES = {
    WEATHER: ("Daily weather", "at least 16 years: without it there is no forecast"),
    "branches": ("Branches", "and the region of each"),
    "dogs": ("Dogs", "with their homes and owners"),
    "visits": ("Visits", "at least two years: without them exposure and season dates only"),
}


@dataclass(frozen=True)
class Step:
    """One thing that a forecast takes: what for, what is held of it, and whether anything is."""

    what: str
    needed: str
    held: str
    is_held: bool


def steps(records: Records, sources: Sequence[SourceRow]) -> tuple[Step, ...]:
    """Return what a first forecast takes, from what was imported and what sources gave."""
    live = [one for one in imported_files(records) if one.state == LIVE]
    newest = max((s.newest for s in sources if s.kind == WEATHER and s.newest), default=None)
    found = []
    for subject, (what, needed) in _TAKES.items():
        held = _held([one for one in live if one.subject == subject])
        if not held and subject == WEATHER and newest is not None:
            held = f"up to {full_day(newest)}"
        found.append(Step(what, needed, held or NONE_HELD, bool(held)))
    return tuple(found)


def _held(files: Sequence[ImportedFile]) -> str:
    if not files:
        return ""
    n_rows = sum(one.n_rows for one in files)
    told = f"{n_rows:,} {'row' if n_rows == 1 else 'rows'}"
    first = [one.first_date for one in files if one.first_date is not None]
    last = [one.last_date for one in files if one.last_date is not None]
    return f"{told}, {full_day(min(first))} to {full_day(max(last))}" if first and last else told
