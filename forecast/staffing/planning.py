"""The whole desk in one call: load, overflow, roster, stock and money of the weeks ahead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import xarray as xr

from forecast.records.worked_shifts import WorkedShift
from forecast.staffing.desk_numbers import StaffingError
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.last_year import last_years_roster, roster_as_worked
from forecast.staffing.money import CostComparison, compare
from forecast.staffing.overflow import (
    LoadWeek,
    Overflow,
    WaitingWeek,
    load_weeks,
    meet,
    service_levels,
    service_told,
    waiting_weeks,
)
from forecast.staffing.patterns import Told, VisitPatterns
from forecast.staffing.roster import Roster, Shift
from forecast.staffing.rostering import (
    ON_MEANS,
    mean_load,
    nothing_done,
    plan_roster,
)
from forecast.staffing.slots import FreeSlots, PhonePeople, free_slots, phone_people
from forecast.staffing.standing import (
    Agreed,
    BranchNote,
    Standing,
    lost_notes,
    standing_roster,
    still_worked,
)
from forecast.staffing.stock import StockOutlook, count_notes, order_stock
from forecast.staffing.week_desk import RosterRules
from forecast.staffing.workload import Workload, workload_of
from models.weeks import DAYS_IN_WEEK, monday_of

_SLOTS, _STOCK = 11, 12  # streams apart from those of the load


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
        What the reader must know of all branches, a sentence each.
    standing
        What becomes of the roster that stands, where agreed weeks are planned anew.
    held
        Mondays of the agreed weeks that the roster keeps as they are.
    notes
        What the reader must know of single branches.
    lost
        Agreed shifts that cannot be worked any more.
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
    standing: Standing | None = None
    held: tuple[date, ...] = ()
    notes: tuple[BranchNote, ...] = ()
    lost: tuple[Shift, ...] = ()


def plan_staff(
    issued: xr.Dataset,
    patterns: VisitPatterns,
    inputs: StaffingInputs,
    *,
    issue_id: str,
    today: date,
    n_weeks: int,
    service: float | None = None,
    seed: Sequence[int] = (1,),
    rules: RosterRules | None = None,
    agreed: Agreed | None = None,
    keep_agreed: bool = False,
    worked: Sequence[WorkedShift] = (),
) -> StaffingPlan:
    """Plan the whole weeks ahead from an issue.

    Parameters
    ----------
    issued
        What the issue holds, with its draws.
    patterns
        What past visits tell, learned of the issue's regions.
    inputs
        What the desk says.
    issue_id
        Of the issue.
    today
        The first week planned is the first whole one from this day on.
    n_weeks
        How many.
    service
        Share of futures in which hours, slots and stock should suffice; None: the practice's own
        costs decide, and the table for stock.
    seed
        Whole numbers; the same plan comes of the same ones.
    rules
        How to look for the roster; the table's unless given.
    agreed
        Shifts agreed before. What they hold is told as `StaffingPlan.standing`.
    keep_agreed
        Agreed weeks stand, the rest is planned; without it all weeks are planned anew.
    worked
        Shifts that were really worked in the same weeks a year ago, as far as they are on record.

    Raises
    ------
    StaffingError
        If the issue holds no draws of visits, or not these weeks, or the service level is none.
    """
    if service is not None and not 0.0 < service < 1.0:
        raise StaffingError(
            f"a service level of {service:g} was asked; allowed is a share between 0 and 1, such "
            "as 0.9 for nine futures of ten"
        )
    if n_weeks < 1:
        raise StaffingError(f"a plan of {n_weeks} weeks was asked; allowed is 1 or more")
    weeks = weeks_ahead(today, n_weeks)
    load = workload_of(issued, patterns, inputs, weeks=weeks, seed=seed)
    stands, lost = still_worked((agreed or Agreed()).within(weeks), inputs)
    roster = plan_roster(load, inputs, rules=rules, held=stands if keep_agreed else None)
    others = [
        nothing_done(load, inputs),
        plan_roster(mean_load(load), inputs, name=ON_MEANS, rules=rules),
    ]
    findings: list[str] = []
    last_year, gaps = roster_as_worked(worked, load, inputs)
    if last_year is None:
        last_year = last_years_roster(patterns, load, inputs, rules=rules)
    if last_year is None:
        findings.append(
            "no visits of the same weeks a year ago are on record for every branch, so last year's "
            "roster is not among those compared"
        )
    else:
        others.append(last_year)
    met = meet(load, roster, inputs)
    beside = [(other, meet(load, other, inputs)) for other in others]
    levels = service_levels(load, inputs.prices, service=service)
    standing = None
    if stands.weeks and not keep_agreed:
        standing = _stand(stands, load, inputs, service=service, beside=[(roster, met), *beside])
    return StaffingPlan(
        issue_id=issue_id,
        made_on=today,
        first_week=weeks[0],
        n_weeks=n_weeks,
        service=service,
        workload=load,
        overflow=met,
        load=load_weeks(load, met, inputs, service=service),
        waiting=waiting_weeks(met),
        slots=free_slots(load, inputs, service=service, seed=[*seed, _SLOTS]),
        phone=phone_people(load),
        roster=roster,
        others=tuple(others),
        stock=order_stock(load, inputs, today=today, service=service, seed=[*seed, _STOCK]),
        money=compare([(roster, met), *beside], inputs),
        told=(*load.told, service_told(levels, service=service)),
        findings=tuple(findings),
        standing=standing,
        held=stands.weeks if keep_agreed else (),
        lost=lost,
        notes=(
            *lost_notes(lost, inputs),
            *short_contracts(inputs),
            *gaps,
            *count_notes(inputs, first_week=weeks[0]),
        ),
    )


def _stand(
    agreed: Agreed,
    load: Workload,
    inputs: StaffingInputs,
    *,
    service: float | None,
    beside: Sequence[tuple[Roster, Overflow]],
) -> Standing:
    """Return what the roster that stands holds of the load; `beside` has the proposal first."""
    roster = standing_roster(beside[0][0], agreed, inputs)
    met = meet(load, roster, inputs)
    return Standing(
        agreed.weeks,
        load_weeks(load, met, inputs, service=service),
        waiting_weeks(met),
        roster.unheld,
        compare([(roster, met), *beside], inputs),
    )


def short_contracts(inputs: StaffingInputs) -> list[BranchNote]:
    """Say by branch how many contracts hold less than one shift, so that nobody rosters them."""
    found = []
    short = [one for one in inputs.staff if one.contract_hours > 0.0 and not one.contract_shifts]
    for branch in dict.fromkeys(one.home_branch for one in short):
        n = sum(one.home_branch == branch for one in short)
        place = inputs.hours[branch].branch.name if branch in inputs.hours else branch
        contracts = "1 contract holds" if n == 1 else f"{n} contracts hold"
        sentence = (
            f"{place}: {contracts} fewer hours a week than one shift, so no whole shift is "
            "planned of them; enter how long their shifts are"
        )
        found.append(BranchNote(branch, sentence))
    return found


def weeks_ahead(today: date, n_weeks: int) -> tuple[date, ...]:
    """Return the Mondays of whole weeks from a day on."""
    first = monday_of(today)
    if first < today:
        first += timedelta(days=DAYS_IN_WEEK)
    return tuple(first + timedelta(weeks=n) for n in range(n_weeks))
