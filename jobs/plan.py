"""Plan: propose dated doses for dogs from an issue, and keep the proposals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from forecast.dosing.desk import keep_plans, propose_plans
from forecast.dosing.plan import DosePlan
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.requests import PLAN_DOG
from jobs.ledger import recorded_run
from models.words import number_of


def plan(
    practice: Practice,
    records: Records,
    made: Issue,
    *,
    dogs: Sequence[str] | None,
    therapy_id: str,
    today: date,
    say: Callable[[str], None],
) -> list[DosePlan]:
    """Propose for the named dogs, or for all of the issue's regions; nothing without visits."""
    say("planning doses")
    # a run of its own: after one of some dogs the day's plans of all are still due
    job = "plan" if dogs is None else PLAN_DOG
    with recorded_run(practice, records, job, local_date=today, cut=None) as result:
        proposals = propose_plans(
            practice, records, made, dogs=dogs, therapy_id=therapy_id, today=today
        )
        keep_plans(records, proposals, made_at=practice.now)
        result.rows = len(proposals)
        result.sentence = f"{number_of(len(proposals), 'plan')} from issue {made.id}"
    return proposals
