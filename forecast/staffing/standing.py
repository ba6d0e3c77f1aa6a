"""An agreed roster met by the newest forecast: what it holds now, and what can no longer be worked.

Agreed shifts stand as they were agreed. One whose person is away by now or has left, or whose
branch is closed, will not be worked: it counts in no capacity, and it is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from forecast.staffing.desk_numbers import ROLES, table
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.money import CostComparison
from forecast.staffing.overflow import LoadWeek, WaitingWeek
from forecast.staffing.roster import Roster, Shift, Unheld, terms_on
from forecast.wording import day, listed
from models.weeks import monday_of

AGREED, AGREED_IN_PART = "as agreed", "as agreed, other weeks as proposed"
_NAMED = 4


@dataclass(frozen=True)
class Agreed:
    """Shifts that were agreed, and the Mondays of the weeks that they cover."""

    shifts: tuple[Shift, ...] = ()
    weeks: tuple[date, ...] = ()

    def within(self, weeks: Iterable[date]) -> Agreed:
        """Return what of it lies in some weeks."""
        wanted = tuple(week for week in weeks if week in self.weeks)
        return Agreed(tuple(s for s in self.shifts if monday_of(s.day) in wanted), wanted)


@dataclass(frozen=True)
class BranchNote:
    """What must be known of one branch, in a sentence."""

    branch: str
    sentence: str


@dataclass(frozen=True)
class Standing:
    """What the newest forecast makes of the roster that stands: agreed shifts, the rest proposed.

    Attributes
    ----------
    weeks
        Mondays of the agreed weeks among those planned.
    load, waiting
        As those of a plan, met by this roster.
    unheld
        Constraints that it does not hold.
    money
        This roster first, then the newest proposal and the others.
    """

    weeks: tuple[date, ...]
    load: tuple[LoadWeek, ...]
    waiting: tuple[WaitingWeek, ...]
    unheld: tuple[Unheld, ...]
    money: CostComparison


def still_worked(agreed: Agreed, inputs: StaffingInputs) -> tuple[Agreed, tuple[Shift, ...]]:
    """Return what of agreed shifts can still be worked, and the shifts that cannot."""
    lost = tuple(shift for shift in agreed.shifts if not _can_be_worked(shift, inputs))
    gone = set(map(id, lost))
    return replace(agreed, shifts=tuple(s for s in agreed.shifts if id(s) not in gone)), lost


def _can_be_worked(shift: Shift, inputs: StaffingInputs) -> bool:
    hours = inputs.hours.get(shift.branch)
    if hours is None or not hours.is_open(shift.day):
        return False
    if shift.person is None:
        return True
    person = terms_on(inputs.staff, shift.person, shift.day)
    return person is not None and person.works_on(shift.day)


def lost_notes(lost: Iterable[Shift], inputs: StaffingInputs) -> list[BranchNote]:
    """Say by branch which agreed shifts cannot be worked any more."""
    shifts = sorted(lost, key=lambda one: (one.branch, one.day, one.role))
    found = []
    for branch in dict.fromkeys(one.branch for one in shifts):
        own = [f"{day(one.day)} {one.role}" for one in shifts if one.branch == branch]
        place = inputs.hours[branch].branch.name if branch in inputs.hours else branch
        rest = [f"{len(own) - _NAMED} more"] if len(own) > _NAMED else []
        n = "1 agreed shift" if len(own) == 1 else f"{len(own)} agreed shifts"
        sentence = (
            f"{place}: {n} cannot be worked any more ({listed([*own[:_NAMED], *rest])}), as the "
            "person is away, has left or works on other days, or the branch is closed; nobody is "
            "counted there: agree to another roster, or move the leave"
        )
        found.append(BranchNote(branch, sentence))
    return found


def standing_roster(proposal: Roster, agreed: Agreed, inputs: StaffingInputs) -> Roster:
    """Return the roster that people work by: agreed shifts in their weeks, else the proposal's."""
    others = [s for s in proposal.shifts if monday_of(s.day) not in agreed.weeks]
    shifts = sorted(
        [*agreed.shifts, *others], key=lambda s: (s.day, s.branch, s.role, s.person or "")
    )
    unheld = [one for one in proposal.unheld if one.week not in agreed.weeks]
    return replace(
        proposal,
        name=AGREED if set(proposal.weeks) <= set(agreed.weeks) else AGREED_IN_PART,
        shifts=tuple(shifts),
        unheld=tuple(sorted([*unheld, *nobody_there(agreed, inputs)], key=lambda u: u.week)),
        solution=None,
    )


def nobody_there(agreed: Agreed, inputs: StaffingInputs) -> list[Unheld]:
    """Say where agreed shifts leave fewer of a role than must be there, a week and role each."""
    there = Counter((s.day, s.branch, s.role) for s in agreed.shifts)
    least = {role: int(table().number(f"shift.least_present_{role}")) for role in ROLES}
    found = []
    for week in agreed.weeks:
        for branch, hours in inputs.hours.items():
            opens = hours.open_days(week)
            for role in (one for one in ROLES if least[one]):
                lacking = [d for d in opens if there[d, branch, role] < least[role]]
                if lacking:
                    found.append(_lacking(hours.branch.name, branch, week, role, lacking, opens))
    return found


def _lacking(
    place: str, branch: str, week: date, role: str, lacking: list[date], opens: list[date]
) -> Unheld:
    n_open = "its only open day" if len(opens) == 1 else f"its {len(opens)} open days"
    return Unheld(
        f"a {role} on each open day",
        branch,
        week,
        role,
        f"{place}, week of {day(week)}: the agreed roster lacks a {role} on {len(lacking)} of "
        f"{n_open} ({listed([day(one) for one in lacking])}): agree to another roster, close the "
        "day, or find a locum",
    )


def shift_changes(
    standing: Iterable[Shift], proposed: Iterable[Shift]
) -> tuple[list[Shift], list[Shift]]:
    """Return the shifts that a proposal adds to those that stand, and those it drops."""
    now, then = list(standing), list(proposed)
    return _without(then, now), _without(now, then)


def _without(shifts: Iterable[Shift], others: Iterable[Shift]) -> list[Shift]:
    """Return shifts for which the others have none alike: same day, branch, role and person."""
    left = Counter((s.day, s.branch, s.role, s.person) for s in others)
    found = []
    for shift in shifts:
        key = (shift.day, shift.branch, shift.role, shift.person)
        if left[key] > 0:
            left[key] -= 1
        else:
            found.append(shift)
    return found
