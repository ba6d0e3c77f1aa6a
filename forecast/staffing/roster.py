"""Whole shifts over branches: who works where on which day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from forecast.staffing.inputs import StaffMember
from models.weeks import DAYS_IN_WEEK


@dataclass(frozen=True)
class Shift:
    """One person's day at one branch.

    Attributes
    ----------
    person
        Random id of a member of staff; None: a locum is to be found.
    is_extra
        Over the contract, planned and agreed, paid as overtime.
    is_away
        Not at the home branch.
    """

    day: date
    branch: str
    role: str
    hours: float
    person: str | None = None
    is_extra: bool = False
    is_away: bool = False


@dataclass(frozen=True)
class Unheld:
    """A constraint that cannot hold: of a branch, week and role, in words."""

    constraint: str
    branch: str
    week: date
    role: str
    sentence: str


@dataclass(frozen=True)
class RosterSolution:
    """How far the programme got.

    Attributes
    ----------
    gap
        Cost above the best bound, as a share of the cost; over all weeks.
    asked_gap, asked_seconds
        What was asked.
    seconds
        What it took.
    n_weeks, n_within
        Weekly programmes, and those solved within the gap.
    n_scenarios
        Futures that it weighed.
    n_unsolved
        Weeks for which there was no time, so that they have the contracts alone and no bound.
    """

    gap: float
    asked_gap: float
    asked_seconds: float
    seconds: float
    n_weeks: int
    n_within: int
    n_scenarios: int
    n_unsolved: int = 0

    @property
    def sentence(self) -> str:
        """How far it got, in one sentence."""
        if self.n_within == self.n_weeks:
            return (
                f"within {100 * self.gap:.2g} % of the best possible, in {self.seconds:.0f} s"
                if self.gap > 0
                else f"the best possible, in {self.seconds:.0f} s"
            )
        alone = (
            f"; for {self.n_unsolved} there was time for contracts alone" if self.n_unsolved else ""
        )
        return (
            f"after {self.seconds:.0f} s within {100 * self.gap:.2g} % of the best possible "
            f"({100 * self.asked_gap:.2g} % was asked); {self.n_within} of {self.n_weeks} weeks "
            f"got there{alone}"
        )


@dataclass(frozen=True)
class Roster:
    """Shifts of the weeks ahead, and how they were found.

    Attributes
    ----------
    name
        Such as ``planned over futures``.
    shifts
        By day, branch and role.
    staff
        Who it is made of.
    weeks
        Mondays.
    unheld
        Constraints that cannot hold, each named; the roster keeps the others.
    peak_weeks
        The weeks of most load, over which burdens are kept even.
    burden
        By person: shifts over the contract or away from home in the peak weeks.
    solution
        None where nothing was optimised.
    """

    name: str
    shifts: tuple[Shift, ...]
    staff: tuple[StaffMember, ...]
    weeks: tuple[date, ...]
    unheld: tuple[Unheld, ...] = ()
    peak_weeks: tuple[date, ...] = ()
    burden: dict[str, int] | None = None
    solution: RosterSolution | None = None


def overtime_a_shift(person: StaffMember) -> float:
    """Return the hours that somebody can stay longer, for each shift of the contract [h].

    Whoever takes on whole shifts over the contract has the rest of their overtime for this.
    """
    if person.contract_shifts == 0:
        return 0.0
    left = person.most_overtime - extra_shifts(person) * person.hours_of_shift
    return max(left, 0.0) / person.contract_shifts


def extra_shifts(person: StaffMember) -> int:
    """Return the whole shifts a week that somebody takes on over the contract at most."""
    return int(person.most_overtime / person.hours_of_shift + 1e-9)


def terms_on(staff: Iterable[StaffMember], person: str, day: date) -> StaffMember | None:
    """Return somebody as their contract has them on a day; the same id may stand for several."""
    own = [one for one in staff if one.id == person]
    return next((one for one in own if one.is_employed_on(day)), own[-1] if own else None)


def paid_hours(person: StaffMember, weeks: Iterable[date]) -> float:
    """Return the hours that a contract pays in some weeks; of a week it holds in part, as much."""
    days = [week + timedelta(days=n) for week in weeks for n in range(DAYS_IN_WEEK)]
    return person.contract_hours * sum(map(person.is_employed_on, days)) / DAYS_IN_WEEK


def days_of_leave(person: StaffMember, week: date) -> int:
    """Return the days of leave in a week that count as days of the contract: Monday to Friday."""
    days = [week + timedelta(days=n) for n in range(DAYS_IN_WEEK)]
    usual = person.working_days if person.working_days is not None else range(5)
    return sum(
        day.weekday() in usual and any(first <= day <= last for first, last in person.leave)
        for day in days
    )


def shifts_due(person: StaffMember, week: date) -> int:
    """Return the shifts that the contract still holds in a week, its leave taken off."""
    days = [week + timedelta(days=n) for n in range(DAYS_IN_WEEK)]
    can = sum(person.works_on(day) for day in days)
    return min(max(person.contract_shifts - days_of_leave(person, week), 0), can)
