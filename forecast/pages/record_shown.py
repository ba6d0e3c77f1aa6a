"""How forecasts did before, as pages tell it beside every new one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import isfinite

from forecast.pages.issue_reading import held
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.runs import last_runs
from forecast.records.verifications import verifications
from forecast.skill import SkillRecord, summarise

VERIFY = "verify"


@dataclass(frozen=True)
class LeadRow:
    """How forecasts of some weeks ahead did; None is not known.

    `relative` is their error over that of climatology, `low` and `high` its 9 in 10 interval;
    `inside_50` and `inside_90` are the shares of weeks that the bands held, with theirs. Intervals
    are drawn from `n_seasons` whole seasons; a last one of less than half belongs to that before.
    """

    weeks_ahead: str
    n_weeks: int
    n_seasons: int
    relative: float | None
    low: float | None
    high: float | None
    inside_50: float | None
    inside_50_low: float | None
    inside_50_high: float | None
    inside_90: float | None
    inside_90_low: float | None
    inside_90_high: float | None


@dataclass(frozen=True)
class RecordShown:
    """The record in a sentence, and by lead."""

    sentence: str
    is_known: bool
    last_week: date | None
    by_lead: tuple[LeadRow, ...]


def record_shown(
    practice: Practice, records: Records, *, kind: str, region: str | None = None
) -> RecordShown:
    """Return how forecasts of one kind did, of one region if asked so.

    Worked out anew after each run of `verify`, as scores change only then.
    """
    run = last_runs(records, states=("done",)).get(VERIFY)
    key = ("record", practice.folder, kind, region, None if run is None else run.id)
    return held.value(key, lambda: _record(practice, records, kind, region))


def _record(practice: Practice, records: Records, kind: str, region: str | None) -> RecordShown:
    rows = verifications(records, kind=kind)
    if region is not None:
        rows = rows[rows["region_id"] == region].reset_index(drop=True)
    told = summarise(rows, kind=kind, seed=practice.settings.forecast.seed)
    return RecordShown(told.sentence, told.is_known, told.last, tuple(_leads(told)))


_NUMBERS = (
    *("relative", "low", "high"),
    *("cover_50", "cover_50_low", "cover_50_high"),
    *("cover_90", "cover_90_low", "cover_90_high"),
)


def _leads(told: SkillRecord) -> list[LeadRow]:
    return [
        LeadRow(
            str(row["lead"]),
            int(row["cases"]),
            int(row["seasons"]),
            *(float(row[name]) if isfinite(row[name]) else None for name in _NUMBERS),
        )
        for row in told.by_lead.to_dict("records")
    ]
