"""Plans as a table or as plain values: by the practice's number of each dog, without any name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import date, timedelta
from typing import Any

from forecast.csv_text import csv_text
from forecast.dosing.kept import head_of
from forecast.dosing.plan import DosePlan, Proposal
from forecast.dosing.schedule import LEFT_OUT
from forecast.records.dogs import dog_ids
from forecast.records.engine import Records

PLAN_COLUMNS = (
    *("dog", "therapy", "proposal", "dates", "signed_dates", "acts_before_season"),
    *("week_later", "uncovered_weeks", "moved", "reasons"),
)
NOT_KNOWN = "not known"


def next_dates(plan: DosePlan, today: date) -> tuple[date, ...]:
    """Return the doses ahead: those that a vet signed, and where none has, those proposed."""
    dates = [dose.date for dose in plan.doses] if plan.signed is None else plan.signed.dates
    return tuple(day for day in dates if day >= today)


def due_within(plans: Iterable[DosePlan], days: int, *, today: date) -> list[DosePlan]:
    """Return the plans with a dose within so many days, soonest first; before them, see now."""
    until = today + timedelta(days=days)

    def when(plan: DosePlan) -> date:
        if plan.proposal is Proposal.SEE_NOW:
            return date.min
        return min(next_dates(plan, today), default=date.max)

    return sorted((plan for plan in plans if when(plan) <= until), key=when)


def plans_csv(records: Records, plans: Iterable[DosePlan]) -> str:
    """Return plans as CSV text, a row a dog; it holds no name."""
    number_of = _numbers(records)
    rows = [_row(plan, number_of.get(plan.dog, "erased")) for plan in plans]
    return csv_text(PLAN_COLUMNS, rows)


def plan_values(records: Records, plans: Iterable[DosePlan]) -> list[dict[str, Any]]:
    """Return plans as plain values that JSON holds; what is not known is null."""
    number_of = _numbers(records)
    return [
        {"dog": number_of.get(plan.dog, "erased"), "therapy": plan.therapy, "issue": plan.issue_id}
        | head_of(plan)
        | {
            "doses": [{"date": str(dose.date), "why": dose.why} for dose in plan.doses],
            "signed": None if plan.signed is None else _texts(asdict(plan.signed)),
            "uncovered_weeks": None
            if plan.uncovered_weeks is None
            else [str(week) for week in plan.uncovered_weeks],
            "reasons": [asdict(reason) for reason in plan.reasons],
            "cautions": [asdict(caution) for caution in plan.cautions],
            "left_out": LEFT_OUT,
        }
        for plan in plans
    ]


def _numbers(records: Records) -> dict[str, str]:
    return {dog: number for number, dog in dog_ids(records).items()}


def _row(plan: DosePlan, number: str) -> tuple[object, ...]:
    weeks = plan.uncovered_weeks
    said = [one.sentence for one in plan.reasons] + [one.sentence for one in plan.loosened]
    said += [] if plan.word is None else [plan.word.sentence]
    return (
        number,
        plan.therapy,
        plan.proposal,
        _dates(dose.date for dose in plan.doses),
        "" if plan.signed is None else _dates(plan.signed.dates),
        "" if plan.acts_before_season is None else round(plan.acts_before_season, 2),
        "" if plan.week_later is None else round(plan.week_later, 2),
        NOT_KNOWN if weeks is None else _dates(weeks),
        "" if plan.moved is None else plan.moved.sentence,
        "; ".join(said),
    )


def _dates(days: Iterable[date]) -> str:
    return " ".join(str(day) for day in days)


def _texts(values: dict[str, Any]) -> dict[str, Any]:
    def text(value: Any) -> Any:
        if isinstance(value, date):
            return str(value)
        return (
            [str(day) for day in value]
            if isinstance(value, Sequence) and not isinstance(value, str)
            else value
        )

    return {name: text(value) for name, value in values.items()}
