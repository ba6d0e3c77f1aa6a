"""Which earlier plan a new one is held against, so that a slow drift is seen as one.

What a vet signed comes first, then what its owner was told. Where neither is, it is the plan at
which a move was said last, else the first of the same season: held against the plan of the day
before, dates that creep by a day a day would never have moved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, tzinfo

from forecast.dosing.kept import basis_of, basis_of_kept
from forecast.dosing.moves import Basis, SignedDates, moved
from forecast.dosing.plan import DosePlan
from forecast.dosing.therapies import days_rule
from forecast.records.engine import Records
from forecast.records.handovers import Handover, newest_of_each
from forecast.records.plan_decisions import PlanState, in_force
from forecast.records.plans import PlanRow, newest_plans, plan_of, plans_of
from forecast.records.tables import HANDOVER_KINDS


@dataclass(frozen=True)
class _Past:
    """What is on record by dog: the newest plan, what went out last; and the plans they name."""

    before: Mapping[str, PlanRow]
    out: Mapping[str, Handover]
    named: Mapping[str, PlanRow]
    zone: tzinfo


def held_against_the_past(
    records: Records, plans: Sequence[DosePlan], *, tolerance: int, today: date, zone: tzinfo
) -> list[DosePlan]:
    """Say of each plan what a vet has signed, and how far it lies from that or one before.

    `plans` are of one therapy; `zone` is the practice's, in which the days of plans are named.
    """
    if not plans:
        return []
    therapy_id, only = plans[0].therapy, plans[0].dog if len(plans) == 1 else None
    signed = in_force(records, dog_id=only, therapy=therapy_id)
    past = _past(records, therapy_id, only, zone)
    found = []
    for plan in plans:
        held = signed.get((plan.dog, plan.therapy))
        if held is None:
            found.append(_unsigned(plan, past, tolerance=tolerance, today=today))
            continue
        dates = SignedDates(
            held.plan_id, str(held.state), held.signed_by, held.decided_on, held.dates
        )
        then = _basis(plan_of(records, held.plan_id))
        move = moved(then, basis_of(plan), tolerance=tolerance, today=today, signed=dates)
        found.append(replace(plan, signed=dates, moved=move))
    return found


def _past(records: Records, therapy_id: str, only: str | None, zone: tzinfo) -> _Past:
    before = newest_plans(records, therapy=therapy_id, dog_id=only)
    with records.reading() as connection:
        last = newest_of_each(connection, HANDOVER_KINDS, dog_id=only)
    # whichever owner it went to: the newest one of a dog comes last
    out = {of.dog_id: one for of, one in last.items() if of.therapy == therapy_id}
    named = [one.plan_id for one in out.values()]
    named += [_kept(plan, "held_against") for plan in before.values()]
    return _Past(before, out, plans_of(records, {one for one in named if one}), zone)


def _unsigned(plan: DosePlan, past: _Past, *, tolerance: int, today: date) -> DosePlan:
    now = basis_of(plan)
    told, before = _told(plan, past), past.before.get(plan.dog)
    if told is not None and _same_season(told, now):
        last, day = told, past.out[plan.dog].at
        whose = f"the plan told to the owner on {day.astimezone(past.zone).date()}"
    elif before is not None:
        last = _first_of_season(before, past, now)
        whose = f"the plan of {last.made_at.astimezone(past.zone).date()}"
    else:
        return plan
    move = moved(_basis(last), now, tolerance=tolerance, today=today, signed=None, whose=whose)
    against = last.id if _same_season(last, now) else None
    return replace(plan, moved=move, held_against=against)


def _told(plan: DosePlan, past: _Past) -> PlanRow | None:
    """Return the proposal that the owner was told last; what a vet ended stands no more."""
    out = past.out.get(plan.dog)
    told = None if out is None else past.named.get(out.plan_id or "")
    if told is None or told.state != PlanState.PROPOSED:
        return None
    return told


def _first_of_season(before: PlanRow, past: _Past, now: Basis) -> PlanRow:
    """Return what the plan before was held against, unless it had moved or that is long over."""
    first = past.named.get(_kept(before, "held_against") or "")
    if first is None or _kept(before, "moved") or not _same_season(first, now):
        return before
    return first


def _same_season(plan: PlanRow, now: Basis) -> bool:
    """Say whether two plans are of one season; where one does not know its season, they are."""
    then = _basis(plan).season_start
    if then is None or now.season_start is None:
        return True
    return abs((now.season_start - then).days) < days_rule("plan.same_season")


def _basis(plan: PlanRow) -> Basis:
    return basis_of_kept(plan.reasons[0], plan.doses)


def _kept(plan: PlanRow, what: str) -> str | None:
    value: str | None = plan.reasons[0].get(what) if plan.reasons else None
    return value
