"""A plan of staff as it is kept and shown: everything but the draws, which can be made again."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import cache
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from forecast.records import Records
from forecast.records.staff_plans import PLAN, StaffPlanRow, newest_staff_plan
from forecast.staffing.money import CostComparison
from forecast.staffing.overflow import LoadWeek, WaitingWeek
from forecast.staffing.patterns import Told
from forecast.staffing.planning import StaffingPlan
from forecast.staffing.roster import Roster, Shift
from forecast.staffing.slots import FreeSlots, PhonePeople
from forecast.staffing.standing import BranchNote, Standing
from forecast.staffing.stock import StockOutlook
from forecast.staffing.told_before import ToldShift
from forecast.staffing.what_if import WhatIf


@dataclass(frozen=True)
class KeptPlan:
    """What of a `StaffingPlan` is kept; its parts are those of the same name there.

    `gone` are shifts that calendars told before this plan and that do not stand with it.
    """

    issue_id: str
    made_on: date
    first_week: date
    n_weeks: int
    service: float | None
    load: tuple[LoadWeek, ...]
    waiting: tuple[WaitingWeek, ...]
    slots: tuple[FreeSlots, ...]
    phone: tuple[PhonePeople, ...]
    roster: Roster
    stock: tuple[StockOutlook, ...]
    money: CostComparison
    told: tuple[Told, ...]
    findings: tuple[str, ...]
    standing: Standing | None = None
    held: tuple[date, ...] = ()
    notes: tuple[BranchNote, ...] = ()
    lost: tuple[Shift, ...] = ()
    gone: tuple[ToldShift, ...] = ()

    @property
    def remarks(self) -> tuple[str, ...]:
        """What must be known, a sentence each: first what the roster cannot hold."""
        unheld = [one.sentence for one in self.roster.unheld]
        notes = [one.sentence for one in self.notes]
        return tuple(dict.fromkeys([*unheld, *notes, *self.findings]))

    @property
    def weeks(self) -> tuple[date, ...]:
        """The weeks that it tells of, by their Mondays."""
        return tuple(sorted({one.week for one in self.load}))

    @property
    def branches(self) -> tuple[str, ...]:
        """The branches that it tells of."""
        return tuple(dict.fromkeys(one.branch for one in self.waiting))

    @property
    def sees_people(self) -> bool:
        """Whether it tells of all shifts of each person, as it does for who sees all branches."""
        return self.roster.burden is not None

    def shifts_at(self, branch: str) -> tuple[Shift, ...]:
        """Return the shifts of a branch, by day, role and person."""
        own = [one for one in self.roster.shifts if one.branch == branch]
        return tuple(sorted(own, key=lambda one: (one.day, one.role, one.person or "~")))

    def of_branches(self, wanted: Collection[str]) -> KeptPlan:
        """Return what it tells of some branches; costs are those of all, so they are left out."""
        shifts = tuple(one for one in self.roster.shifts if one.branch in wanted)
        unheld = tuple(one for one in self.roster.unheld if one.branch in wanted)
        # plans kept by earlier versions have these among the findings too
        others = {one.sentence for one in self.roster.unheld if one.branch not in wanted}
        return replace(
            self,
            load=tuple(one for one in self.load if one.branch in wanted),
            waiting=tuple(one for one in self.waiting if one.branch in wanted),
            slots=tuple(one for one in self.slots if one.branch in wanted),
            phone=tuple(one for one in self.phone if one.branch in wanted),
            roster=replace(self.roster, shifts=shifts, unheld=unheld, burden=None),
            stock=tuple(one for one in self.stock if one.branch in wanted),
            money=replace(self.money, lines=(), differences=()),
            findings=tuple(one for one in self.findings if one not in others),
            notes=tuple(one for one in self.notes if one.branch in wanted),
            lost=tuple(one for one in self.lost if one.branch in wanted),
            gone=tuple(one for one in self.gone if one.shift.branch in wanted),
            standing=None if self.standing is None else _of_branches(self.standing, wanted),
        )


def _of_branches(standing: Standing, wanted: Collection[str]) -> Standing:
    return replace(
        standing,
        load=tuple(one for one in standing.load if one.branch in wanted),
        waiting=tuple(one for one in standing.waiting if one.branch in wanted),
        unheld=tuple(one for one in standing.unheld if one.branch in wanted),
        money=replace(standing.money, lines=(), differences=()),
    )


def kept_part(plan: StaffingPlan) -> KeptPlan:
    """Return what of a plan is kept."""
    own = {one.name for one in fields(StaffingPlan)}
    kept = [one.name for one in fields(KeptPlan) if one.name in own]
    return KeptPlan(**{name: getattr(plan, name) for name in kept})


def as_text(kept: KeptPlan | WhatIf) -> str:
    """Return JSON text from which `plan_of` or `what_if_of` make the same again."""
    return TypeAdapter(type(kept)).dump_json(kept, fallback=_plain).decode()


def plan_of(text: str) -> KeptPlan:
    """Read what `as_text` wrote of a plan."""
    return _plans().validate_json(text)


def what_if_of(text: str) -> WhatIf:
    """Read what `as_text` wrote of a change that was tried."""
    return _what_ifs().validate_json(text)


def newest_plan(records: Records) -> tuple[StaffPlanRow, KeptPlan] | None:
    """Return the newest plan and its row; None where none was reckoned yet."""
    row = newest_staff_plan(records, kind=PLAN)
    return None if row is None else (row, plan_of(row.content))


@cache
def _plans() -> TypeAdapter[KeptPlan]:
    return TypeAdapter(KeptPlan)


@cache
def _what_ifs() -> TypeAdapter[WhatIf]:
    return TypeAdapter(WhatIf)


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no form in a kept plan")
