"""Tidy: take away what has been kept long enough, at most once a day; part of issuing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC

from forecast.climate import ClimateStore
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.runs import runs
from forecast.retention import clear, overdue
from jobs.ledger import DONE, recorded_run
from jobs.sources.archive_thinning import thin, to_be_thinned
from jobs.sources.pulling import replies_of
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
    archive, day = replies_of(practice), practice.now.astimezone(UTC).date()
    replies = to_be_thinned(archive, today=day)
    if not due and not replies and not was_cut_short:
        return
    say("taking away what has been kept long enough")
    try:
        with recorded_run(practice, records, JOB, local_date=practice.today, cut=None) as result:
            result.sentence = clear(climate, due)
            for source_id in replies:
                done = thin(archive, source_id, today=day)
                result.sentence += (
                    f"; replies of {source_id} {done.n_replies}, {done.n_bytes / 1e6:.1f} MB"
                )
    except (ForepawError, OSError) as refusal:
        say(f"not taken away: {refusal}")
