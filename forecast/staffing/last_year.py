"""Last year's roster, to hold a plan against: the shifts that were really worked, if on record.

Where they are not, it is the roster that last year's visits would have asked of today's staff.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from forecast.records.worked_shifts import WorkedShift
from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.inputs import StaffingInputs
from forecast.staffing.patterns import VisitPatterns
from forecast.staffing.roster import Roster, Shift, shifts_due
from forecast.staffing.rostering import plan_roster
from forecast.staffing.standing import BranchNote
from forecast.staffing.week_desk import RosterRules
from forecast.staffing.workload import Workload, load_that_came
from models.weeks import monday_of

LAST_YEAR, AS_WORKED = "planned on last year's visits", "last year's as worked"
NOTES: Mapping[str, str] = {
    LAST_YEAR: (
        "Planned on last year's visits is no roster that was worked: it is what the visits of the "
        "same weeks a year ago would have asked of today's staff. Bring the shifts that were "
        "worked, to compare with those."
    ),
    AS_WORKED: (
        "Last year's as worked has the shifts that were worked in the same weeks a year ago; who "
        "stayed longer then is in their hours. Today's contracts are paid in it as in the others. "
        "Hours beyond what these have left after leave are paid on top: as overtime of the staff, "
        "as locums where somebody was not on the staff list."
    ),
}
_A_YEAR = timedelta(weeks=52)  # the same days of the week a year before
_SOMEBODY = "worked last year"  # stands for whoever it was


def notes_on(rosters: Iterable[str]) -> list[str]:
    """Return what must be known of last year's roster where it is among those compared."""
    return [NOTES[name] for name in rosters if name in NOTES]


def a_year_before(weeks: Sequence[date]) -> tuple[date, date]:
    """Return the first and the last day of the same weeks a year ago."""
    return weeks[0] - _A_YEAR, weeks[-1] - _A_YEAR + timedelta(days=6)


def last_years_roster(
    patterns: VisitPatterns,
    load: Workload,
    inputs: StaffingInputs,
    *,
    rules: RosterRules | None = None,
) -> Roster | None:
    """Return the roster that would have been right for the same weeks of last year.

    Planned for the visits that came then, as if they came again: what a practice does that goes by
    its last year. None where they are not on record.
    """
    came = load_that_came(patterns.seen, load, inputs, weeks=[w - _A_YEAR for w in load.weeks])
    return None if came is None else plan_roster(came, inputs, name=LAST_YEAR, rules=rules)


def roster_as_worked(
    worked: Iterable[WorkedShift], load: Workload, inputs: StaffingInputs
) -> tuple[Roster | None, list[BranchNote]]:
    """Return the roster that was worked in the same weeks a year ago, on the days of now.

    None where nothing of it is on record, or not of all weeks in which a branch opens now: what is
    not known is not nobody. Then it is said which branches lack how many weeks.
    """
    weeks, branches = load.weeks, load.branches
    shifts = [
        Shift(
            one.day + _A_YEAR,
            one.branch_id,
            one.role,
            one.hours,
            None if one.person is None else _SOMEBODY,
        )
        for one in worked
        if monday_of(one.day + _A_YEAR) in weeks and one.branch_id in branches
    ]
    if not shifts:
        return None, []
    there = {(one.branch, monday_of(one.day)) for one in shifts}
    notes = []
    for branch in branches:
        open_weeks = [week for week in weeks if inputs.hours[branch].open_days(week)]
        lacking = [week for week in open_weeks if (branch, week) not in there]
        if lacking:
            notes.append(BranchNote(branch, _lacking(inputs, branch, lacking, open_weeks)))
    if notes:
        return None, notes
    return Roster(AS_WORKED, _over_contracts(shifts, inputs, weeks), inputs.staff, weeks), []


def _lacking(
    inputs: StaffingInputs, branch: str, lacking: Sequence[date], weeks: Sequence[date]
) -> str:
    return (
        f"{inputs.hours[branch].branch.name}: of {len(lacking)} of {len(weeks)} weeks no shift "
        f"worked a year ago is on record (the first is that of {lacking[0] - _A_YEAR}), so last "
        "year's roster as worked is not among those compared; bring them all"
    )


def _over_contracts(
    shifts: Sequence[Shift], inputs: StaffingInputs, weeks: Collection[date]
) -> tuple[Shift, ...]:
    """Mark by whom hours come that today's contracts do not hold, a week and role each.

    The staff's come first. Beyond what contracts have left after leave a shift of the staff is one
    over the contract, one of somebody else a locum's; within it somebody has taken their place.
    """
    found = []
    for week in weeks:
        for role in ROLES:
            own = [one for one in shifts if monday_of(one.day) == week and one.role == role]
            left = sum(
                shifts_due(person, week) * person.hours_of_shift
                for person in inputs.staff
                if person.skills[0] == role
            )
            for one in sorted(own, key=lambda each: (each.person is None, each.day, each.branch)):
                left -= one.hours
                is_beyond = left < -1e-9
                person = one.person if is_beyond else _SOMEBODY
                is_extra = is_beyond and person is not None
                found.append(replace(one, person=person, is_extra=is_extra))
    return tuple(sorted(found, key=lambda one: (one.day, one.branch, one.role)))
