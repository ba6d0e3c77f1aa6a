"""Define: put a case definition in force; all visits are judged anew."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from forecast.practice import Practice
from forecast.visits.judging import Relearnt, definition_text, put_in_force
from jobs.ledger import recorded_run
from jobs.opening import open_all


def define(
    practice: Practice, file: Path | None, *, progress: Callable[[float], None] | None = None
) -> Relearnt:
    """Put the definition of a file in force, or the shipped one, and write the run down."""
    records, _ = open_all(practice)
    text = definition_text(file)
    with recorded_run(
        practice, records, "define cases", local_date=practice.today, cut=None
    ) as result:
        done = put_in_force(practice, records, text, tell=progress)
        result.rows = done.n_judged
        result.sentence = f"{done.version}; {done.n_judged} visits judged"
    return done
