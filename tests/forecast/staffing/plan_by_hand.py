"""A plan of staff as it would be kept, with every number chosen by hand."""

from __future__ import annotations

from datetime import date, timedelta

from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.inputs import StaffMember
from forecast.staffing.kept_plan import KeptPlan
from forecast.staffing.money import CostComparison, CostDifference, CostLine
from forecast.staffing.overflow import LoadWeek, WaitingWeek
from forecast.staffing.patterns import Told
from forecast.staffing.roster import Roster, RosterSolution, Shift, Unheld
from forecast.staffing.slots import FreeSlots, PhonePeople
from forecast.staffing.stock import StockOrder, StockOutlook

FIRST = date(2023, 3, 6)
ODDS = {"at-north": (0.1, 0.75, 0.66, 0.2), "at-south": (0.0, 0.1, 0.2, 0.05)}


def plan_by_hand(
    *, issue_id: str = "i1", odds: dict[str, tuple[float, ...]] | None = None, staff=("a1", "b2")
) -> KeptPlan:
    """Make a plan of a few weeks; `odds` of overflow by branch and week."""
    told = ODDS if odds is None else odds
    weeks = [FIRST + timedelta(weeks=n) for n in range(len(next(iter(told.values()))))]
    members = tuple(StaffMember(one, ("vet",), next(iter(told)), 40.0) for one in staff)
    return KeptPlan(
        issue_id=issue_id,
        made_on=date(2023, 3, 1),
        first_week=FIRST,
        n_weeks=len(weeks),
        service=0.9,
        load=tuple(
            LoadWeek(branch, week, role, 20.0, 30.0, 42.0, 36.0, chance, 41.5, 0.9)
            for branch, chances in told.items()
            for week, chance in zip(weeks, chances, strict=True)
            for role in ROLES
        ),
        waiting=tuple(
            WaitingWeek(branch, week, 80.0, 2.5, 4.0, 9.0, chance)
            for branch, chances in told.items()
            for week, chance in zip(weeks, chances, strict=True)
        ),
        slots=tuple(FreeSlots(branch, FIRST, 3, 2.2) for branch in told),
        phone=tuple(PhonePeople(branch, FIRST, 18.0, 2, 0.25) for branch in told),
        roster=Roster(
            name="planned over futures",
            shifts=(
                Shift(FIRST, next(iter(told)), "vet", 8.0, staff[0]),
                Shift(FIRST, next(iter(told)), "technician", 8.0, staff[1], is_extra=True),
                Shift(FIRST + timedelta(days=1), next(iter(told)), "vet", 8.0, None),
            ),
            staff=members,
            weeks=tuple(weeks),
            unheld=(
                Unheld(
                    "presence", next(iter(told)), FIRST, "vet", "no vet can be there on Wednesdays"
                ),
            ),
            peak_weeks=(weeks[-1],),
            burden={staff[0]: 1},
            solution=RosterSolution(0.004, 0.01, 60.0, 3.0, 4, 4, 24),
        ),
        stock=(
            StockOutlook(
                "flea control",
                next(iter(told)),
                12.0,
                (4.0, 9.0, 15.0),
                0.0,
                0.95,
                0.02,
                (
                    StockOrder(
                        "flea control",
                        next(iter(told)),
                        date(2023, 3, 8),
                        date(2023, 3, 13),
                        2,
                        12.0,
                        None,
                        0.4,
                        False,
                    ),
                ),
            ),
        ),
        money=CostComparison(
            "EUR",
            (
                CostLine("plan", 9000, 300, 0, 25, 60, 400, 100, 9885, 9400, 10300, 4.0, 1.1),
                CostLine("nothing done", 8800, 0, 0, 0, 90, 1900, 300, 11090, 9900, 12600, 19, 2.4),
            ),
            (CostDifference("plan", "nothing done", -1205, -2300, -100, 0.93),),
            ("wage_hour vet",),
        ),
        told=(Told("rechecks a flare visit causes", "0.6", "table", "only 12 flare visits"),),
        findings=("at South nobody gave opening hours; 9 a day are taken",),
    )
