"""The whole desk in one call: load, overflow, roster, stock and money of the weeks ahead."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from forecast.staffing.money import CostComparison
from forecast.staffing.overflow import LoadWeek, Overflow, WaitingWeek
from forecast.staffing.patterns import Told
from forecast.staffing.roster import Roster
from forecast.staffing.slots import FreeSlots, PhonePeople
from forecast.staffing.stock import StockOutlook
from forecast.staffing.workload import Workload


@dataclass(frozen=True)
class StaffingPlan:
    """Everything the desk shows, of one issue.

    Attributes
    ----------
    issue_id, made_on, first_week, n_weeks
        Of which forecast, when, and which weeks.
    service
        Service level asked; None: the practice's own costs decide.
    roster
        The plan; `load`, `waiting` and `overflow` are the load met by it.
    others
        Rosters it is held against: nothing done, last year's, planned on mean loads.
    told
        Where each number is from.
    findings
        What the reader must know, a sentence each: what could not be planned and why.
    """

    issue_id: str
    made_on: date
    first_week: date
    n_weeks: int
    service: float | None
    workload: Workload
    overflow: Overflow
    load: tuple[LoadWeek, ...]
    waiting: tuple[WaitingWeek, ...]
    slots: tuple[FreeSlots, ...]
    phone: tuple[PhonePeople, ...]
    roster: Roster
    others: tuple[Roster, ...]
    stock: tuple[StockOutlook, ...]
    money: CostComparison
    told: tuple[Told, ...]
    findings: tuple[str, ...]
