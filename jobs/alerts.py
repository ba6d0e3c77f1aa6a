"""Draft alerts: look at every region whose rule is on, and tell people that a draft waits."""

from __future__ import annotations

from collections.abc import Callable

from forecast.alerts.desk import WAITING_DRAFTS, Drafted, draft_due, waiting_sentence
from forecast.alerts.stranded import tell_of_stranded
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.records.engine import Records
from jobs.ledger import recorded_run
from jobs.notices import end_for, raise_for


def draft_alerts(
    practice: Practice, records: Records, made: Issue, *, say: Callable[[str], None]
) -> Drafted:
    """Draft what is due by an issue; nothing is sent, and nothing is drafted twice."""
    say("looking whether an alert is due")
    with recorded_run(
        practice, records, "draft alerts", local_date=practice.today, cut=None
    ) as result:
        drafted = draft_due(practice, records, made)
        result.rows = len(drafted.alerts)
        result.sentence = sentence_of(drafted)
    # here too, as nothing that can go may be left for the job that sends
    tell_of_stranded(practice, records, now=practice.now)
    waits = waiting_sentence(records)
    if waits is None:
        end_for(records, WAITING_DRAFTS, now=practice.now)
    else:
        raise_for(records, WAITING_DRAFTS, waits, now=practice.now)
    return drafted


def sentence_of(drafted: Drafted) -> str:
    """Say what a look came to."""
    if not drafted.why:
        return "no region has an alert rule that is switched on"
    n = len(drafted.alerts)
    return f"regions looked at {len(drafted.why)}, alerts drafted {n}"
