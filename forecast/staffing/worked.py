"""Which shifts people work by: those of rosters that were agreed, then those of the newest plan.

A plan is reckoned anew with each day's forecast. A roster that was agreed stands all the same, week
by week, until another is agreed; of weeks that no agreed roster covers the newest plan's shifts are
a proposal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime

from forecast.records import Records
from forecast.records.staff_plans import PLAN, StaffPlanRow, agreed_staff_plans
from forecast.staffing.kept_plan import KeptPlan, plan_of
from forecast.staffing.roster import Shift
from models.weeks import monday_of


@dataclass(frozen=True)
class Worked:
    """The shifts that people work by, from this week on.

    Attributes
    ----------
    shifts
        Of agreed rosters and, for weeks that none covers, of the newest plan.
    agreed
        Monday of each week whose shifts are agreed, and when they were.
    """

    shifts: tuple[Shift, ...]
    agreed: dict[date, datetime]

    def in_plan(self, plan: KeptPlan) -> KeptPlan:
        """Return a plan with these shifts in place of its own."""
        return replace(plan, roster=replace(plan.roster, shifts=self.shifts))

    def stands_before(self, row: StaffPlanRow) -> datetime | None:
        """Return when a roster was agreed that stands before a plan's own; None where none does."""
        return max((at for at in self.agreed.values() if at != row.agreed_at), default=None)


def worked_by(records: Records, plan: KeptPlan, *, today: date) -> Worked:
    """Return the shifts that people work by, where `plan` is the newest.

    Parameters
    ----------
    today
        Weeks that were over by then are left out; the one it lies in is not.
    """
    of_week: dict[date, list[Shift]] = {week: [] for week in plan.roster.weeks}
    for shift in plan.roster.shifts:
        of_week.setdefault(monday_of(shift.day), []).append(shift)
    agreed: dict[date, datetime] = {}
    for row in agreed_staff_plans(records):
        if row.kind != PLAN or row.agreed_at is None:
            continue
        roster = plan_of(row.content).roster
        ahead = [week for week in roster.weeks if week >= monday_of(today)]
        of_week |= {week: [] for week in ahead}
        agreed |= dict.fromkeys(ahead, row.agreed_at)
        for shift in roster.shifts:
            if (week := monday_of(shift.day)) in ahead:
                of_week[week].append(shift)
    return Worked(tuple(one for week in sorted(of_week) for one in of_week[week]), agreed)
