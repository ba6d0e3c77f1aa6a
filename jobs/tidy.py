"""Tidy: take away what has been kept long enough, at most once a day; part of issuing."""

from __future__ import annotations

from collections.abc import Callable

from forecast.climate import ClimateStore
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.runs import runs
from forecast.retention import clear, overdue
from jobs.ledger import DONE, recorded_run
from models.errors import ForepawError

JOB = "tidy"


def tidy(
    practice: Practice, records: Records, climate: ClimateStore, *, say: Callable[[str], None]
) -> None:
    """Clear what is overdue; a refusal is told and tried again at the next issue.

    Nothing is run, nor written down, where nothing is overdue and the last run came to its end.
    """
    earlier = runs(records, job=JOB)
    was_cut_short = bool(earlier) and earlier[-1].state != DONE
    if earlier and not was_cut_short and earlier[-1].local_date >= practice.today:
        return
    due = overdue(practice, records, climate)
    if not due and not was_cut_short:
        return
    say("taking away what has been kept long enough")
    try:
        with recorded_run(practice, records, JOB, local_date=practice.today, cut=None) as result:
            result.sentence = clear(climate, due)
    except ForepawError as refusal:
        say(f"not taken away: {refusal}")
