"""Which shifts people work by: those of rosters that were agreed, then those of the newest plan.

A plan is reckoned anew with each day's forecast. A roster that was agreed stands all the same, week
by week, until another is agreed; of weeks that no agreed roster covers the newest plan's shifts are
a proposal. Odds and costs shown are those of the roster that stands, by the newest forecast.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

from forecast.records import Records
from forecast.records.staff_plans import PLAN, StaffPlanRow, agreed_staff_plans
from forecast.staffing.desk_table import limits
from forecast.staffing.kept_plan import KeptPlan, plan_of
from forecast.staffing.roster import Shift
from forecast.staffing.standing import Agreed, shift_changes
from forecast.staffing.told_before import ToldShift, as_told, cancelled, no_longer
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
    is_own
        Whether the newest plan itself is the one agreed last.
    gone
        Shifts that calendars told before and that are none of these, today's and later ones.
    weeks
        Mondays of the weeks of which `shifts` tells.
    """

    shifts: tuple[Shift, ...]
    agreed: dict[date, datetime]
    is_own: bool = False
    gone: tuple[ToldShift, ...] = ()
    weeks: tuple[date, ...] = ()

    @property
    def told(self) -> list[ToldShift]:
        """All that calendars have told by now, of today and later days."""
        return [*as_told(self.shifts), *self.gone]

    @property
    def cancelled(self) -> tuple[ToldShift, ...]:
        """What calendars must tell as cancelled."""
        return cancelled(self.gone, self.weeks)

    def in_plan(self, plan: KeptPlan) -> KeptPlan:
        """Return a plan with these shifts in place of its own, and what they hold of the load."""
        shown = replace(plan, roster=replace(plan.roster, shifts=self.shifts))
        if plan.standing is None or self.is_own:
            return shown
        of_it = plan.standing
        roster = replace(shown.roster, unheld=of_it.unheld)
        return replace(
            shown, roster=roster, load=of_it.load, waiting=of_it.waiting, money=of_it.money
        )

    def at(self, branches: Collection[str]) -> Worked:
        """Return what of it is of some branches."""
        return replace(
            self,
            shifts=tuple(one for one in self.shifts if one.branch in branches),
            gone=tuple(one for one in self.gone if one.shift.branch in branches),
        )

    def stands_before(self, row: StaffPlanRow) -> datetime | None:
        """Return when a roster was agreed that stands before a plan's own; None where none does."""
        return max((at for at in self.agreed.values() if at != row.agreed_at), default=None)

    def proposed_changes(self, plan: KeptPlan) -> tuple[list[Shift], list[Shift]]:
        """Return the shifts that a plan's own roster adds to these in its weeks, and drops."""
        weeks = set(plan.roster.weeks)
        now = [one for one in self.shifts if monday_of(one.day) in weeks]
        return shift_changes(now, plan.roster.shifts)


def worked_by(records: Records, row: StaffPlanRow | None, plan: KeptPlan, *, today: date) -> Worked:
    """Return the shifts that people work by, where `plan`, of `row`, is the newest.

    Parameters
    ----------
    row
        None of a plan that is still to be kept.
    today
        Weeks that were over by then are left out; the one it lies in is not.
    """
    is_own = row is not None and row.agreed_at is not None
    worked = _merged(plan, *agreed_shifts(records, today=today), is_own=is_own)
    told = list(plan.gone)
    if row is not None and is_own:  # what stood until it was agreed was told too
        before, agreed = agreed_shifts(records, today=today, but=row.id)
        told += as_told(_merged(plan, before, agreed, is_own=False).shifts)
    return replace(worked, gone=no_longer(told, worked.shifts, today=today))


def _merged(
    plan: KeptPlan, stands: Agreed, agreed: dict[date, datetime], *, is_own: bool
) -> Worked:
    """Return agreed shifts in their weeks, and the plan's own in the others."""
    of_week: dict[date, list[Shift]] = {week: [] for week in plan.roster.weeks}
    for shift in plan.roster.shifts:
        of_week.setdefault(monday_of(shift.day), []).append(shift)
    of_week |= {week: [] for week in stands.weeks}
    for shift in stands.shifts:
        if shift not in plan.lost:  # nobody will be there
            of_week[monday_of(shift.day)].append(shift)
    weeks = tuple(sorted(of_week))
    shifts = tuple(one for week in weeks for one in of_week[week])
    return Worked(shifts, agreed, is_own, weeks=weeks)


def agreed_shifts(
    records: Records, *, today: date, but: str | None = None
) -> tuple[Agreed, dict[date, datetime]]:
    """Return the shifts agreed of this week and those ahead, and when each week was agreed.

    `but` is a plan that is passed over.
    """
    of_week: dict[date, list[Shift]] = {}
    agreed: dict[date, datetime] = {}
    furthest = timedelta(weeks=limits().number("asked.most_weeks") + 1)
    since = datetime.combine(monday_of(today) - furthest, time(), UTC)  # older ones reach no week
    for row in agreed_staff_plans(records, since=since):
        if row.kind != PLAN or row.agreed_at is None or row.id == but:
            continue
        roster = plan_of(row.content).roster
        ahead = [week for week in roster.weeks if week >= monday_of(today)]
        of_week |= {week: [] for week in ahead}
        agreed |= dict.fromkeys(ahead, row.agreed_at)
        for shift in roster.shifts:
            if (week := monday_of(shift.day)) in ahead:
                of_week[week].append(shift)
    weeks = tuple(sorted(of_week))
    return Agreed(tuple(one for week in weeks for one in of_week[week]), weeks), agreed
