"""Verify: hold issued forecasts against the counts that have come in since."""

from __future__ import annotations

from collections.abc import Callable

from forecast.dosing.rules import rules_of
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.issues import issues
from forecast.verification import Scored, one_a_week, score_issues
from forecast.visits import make_vintage
from jobs.ledger import recorded_run


def verify(practice: Practice, records: Records, *, say: Callable[[str], None]) -> Scored:
    """Count the visits anew and score every issued week whose count is settled."""
    with recorded_run(practice, records, "verify", local_date=practice.today, cut=None) as result:
        if not one_a_week(issues(records, kind="issued")):
            result.sentence = "no forecast of visits was issued yet"
            return Scored(0, 0)
        say("holding issued forecasts against what came")
        vintage = make_vintage(practice, records, cover_rules=rules_of(practice).cover)
        done = score_issues(practice, records, vintage=vintage)
        result.rows = done.n_new + done.n_corrected
        result.sentence = done.sentence
    return done
