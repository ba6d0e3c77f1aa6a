"""Load, staff and prices as each week's programme takes them, and its shifts laid on days."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from forecast.staffing.desk_numbers import ROLES, table
from forecast.staffing.inputs import StaffingInputs, StaffMember
from forecast.staffing.laying_out import ToLay, lay_out
from forecast.staffing.overflow import capacity_of, visit_price
from forecast.staffing.roster import (
    Roster,
    Shift,
    Unheld,
    days_of_leave,
    extra_shifts,
    overtime_a_shift,
    shifts_due,
)
from forecast.staffing.week_problem import WeekProblem, WeekSolution, Worker
from forecast.staffing.workload import Workload
from forecast.wording import day
from models.weeks import DAYS_IN_WEEK

Array = NDArray[np.float64]
_MINUTES = 60.0


@dataclass(frozen=True)
class RosterRules:
    """How to look for a roster: gap asked [1], time allowed [s], futures, price of unfairness."""

    gap: float
    seconds: float
    branch_futures: int
    fairness: float

    @classmethod
    def usual(cls) -> RosterRules:
        """Return those of the table."""
        number = table().number
        return cls(
            number("roster.gap"),
            number("roster.seconds"),
            int(number("roster.branch_futures")),
            number("roster.fairness"),
        )


class WeekDesk:
    """The load, the staff and the prices as arrays, week by week."""

    def __init__(self, workload: Workload, inputs: StaffingInputs, rules: RosterRules) -> None:
        self.workload, self.inputs, self.rules = workload, inputs, rules
        self.names, self.weeks = list(workload.branches), list(workload.weeks)
        order = ("branch", "week", "draw", "role")
        self.load: Array = workload.minutes.transpose(*order).values
        self.first: Array = workload.first.transpose(*order).values
        self.visits: Array = workload.bookable.sum("kind").transpose(*order[:3]).values
        wanted = workload.minutes_by_day(inputs).transpose("week", "branch", "role", "weekday")
        self.by_day: Array = wanted.values
        self.n_futures = int(
            min(
                self.load.shape[2],
                max(table().number("roster.scenarios"), rules.branch_futures // len(self.names)),
            )
        )
        self.price = visit_price(workload, inputs.prices)
        self.bookable = _MINUTES * table().number("overflow.bookable")
        self.shift = table().number("shift.hours")
        least = [int(table().number(f"shift.least_present_{role}")) for role in ROLES]
        self.least_a_day = np.array(least)
        self.opens = [
            [
                np.array(
                    [inputs.hours[b].is_open(w + timedelta(days=n)) for n in range(DAYS_IN_WEEK)]
                )
                for b in self.names
            ]
            for w in self.weeks
        ]

    def visit_price(self, later: Array, odds: Array) -> Array:
        """Return what a visit without room costs at each branch, shape ``(branch,)``.

        It is lost, or it waits; and with the `odds` that the next week has no room either it costs
        what that week's does, `later`. After the last week nothing is known, and nothing added.
        """
        leaving = table().number("overflow.turned_away")
        return np.asarray(self.price + (1.0 - leaving) * odds * later)

    def overflow_odds(self, week: int, problem: WeekProblem, solution: WeekSolution) -> Array:
        """Return the odds that a week's own load overflows its roster, shape ``(branch,)``."""
        held = solution.locums * problem.locum_minutes[:, None]
        for worker, shifts in zip(problem.workers, solution.shifts, strict=True):
            counts = _filled(worker, shifts)
            for (branch, role), minutes, n in zip(
                worker.options, worker.minutes, counts, strict=True
            ):
                held[branch, role] += n * (minutes + worker.overtime)
        return self._over(week, held)

    def odds_with(self, week: int, shifts: Sequence[Shift]) -> Array:
        """Return the odds that a week's own load overflows given shifts, shape ``(branch,)``."""
        roster = Roster("", tuple(shifts), self.inputs.staff, (self.weeks[week],))
        held, overtime = capacity_of(roster, self.workload, self.inputs)
        both = (held + overtime).isel(week=week).transpose("branch", "role")
        return self._over(week, both.values)

    def _over(self, week: int, held: Array) -> Array:
        over = self.load[:, week] > held[:, None, :] + 1e-6
        return np.asarray(over.any(axis=2).mean(axis=1))

    def problem(
        self, week: int, burden: Counter[str], price: Array, *, is_peak: bool = False
    ) -> WeekProblem:
        """Return the programme of one week; `price` of a visit without room, by branch."""
        futures = self._futures(week)
        prices = self.inputs.prices
        open_days = np.array([opens.sum() for opens in self.opens[week]])
        most = np.array([self.inputs.most_locums(role) for role in ROLES])
        return WeekProblem(
            workers=tuple(
                self._worker(person, week, burden[person.id], is_peak=is_peak)
                for person in self.inputs.staff
            ),
            need=self.load[:, week][:, futures].transpose(1, 0, 2),
            first=self.first[:, week][:, futures].transpose(1, 0, 2),
            visits=self.visits[:, week][:, futures].T,
            least=(open_days[:, None] * self.least_a_day[None, :]).astype(float),
            locum_most=(most[None, :] * (open_days > 0)[:, None]).astype(float),
            locum_minutes=_mean_open(self._minutes(self.shift, week)),
            locum_price=np.outer(
                self._hours_of_shift(self.shift, week), [prices.locum_hour[r] for r in ROLES]
            ),
            overtime_price=np.array([prices.overtime_hour[r] / _MINUTES for r in ROLES]),
            visit_price=price,
        )

    def _futures(self, week: int) -> NDArray[np.int64]:
        """Return draws spread evenly over the order of the week's whole load."""
        total = self.load[:, week].sum(axis=(0, 2))
        order = np.argsort(total, kind="stable")
        at = (np.arange(self.n_futures) + 0.5) * len(order) / self.n_futures
        return order[at.astype(np.int64)]

    def _minutes(self, hours: float, week: int) -> Array:
        """Return what a shift of some hours holds, shape ``(branch, day)`` [min]."""
        days = [self.weeks[week] + timedelta(days=n) for n in range(DAYS_IN_WEEK)]
        opens = [[self.inputs.hours[b].hours_on(day) for day in days] for b in self.names]
        return np.asarray(self.bookable * np.minimum(np.array(opens), hours))

    def _hours_of_shift(self, hours: float, week: int) -> Array:
        """Return how long a shift is at each branch, a mean over its open days [h]."""
        return np.asarray(_mean_open(self._minutes(hours, week)) / self.bookable)

    def _can(self, person: StaffMember, week: int) -> NDArray[np.bool_]:
        monday = self.weeks[week]
        return np.array([person.works_on(monday + timedelta(days=n)) for n in range(DAYS_IN_WEEK)])

    def _worker(self, person: StaffMember, week: int, had: int, *, is_peak: bool) -> Worker:
        can = self._can(person, week)
        places = [self.names.index(b) for b in person.branches if b in self.names]
        days = []
        for size in range(1, len(places) + 1):
            for chosen in combinations(places, size):
                there = np.any([self.opens[week][b] for b in chosen], axis=0)
                days.append((frozenset(chosen), int((can & there).sum())))
        dearer = 1.0 + self.rules.fairness * had
        prices = self.inputs.prices
        role = person.skills[0]
        home = places[0] if places and self.names[places[0]] == person.home_branch else -1
        hours = person.hours_of_shift
        if home >= 0:
            hours = float(self._hours_of_shift(hours, week)[home])
        minutes = _mean_open(self._minutes(person.hours_of_shift, week))
        options = tuple((b, ROLES.index(r)) for b in places for r in person.skills)
        return Worker(
            options=options,
            minutes=tuple(float(minutes[b]) for b, _ in options),
            home=home,
            due=shifts_due(person, self.weeks[week]),
            most_extra=0 if days_of_leave(person, self.weeks[week]) else extra_shifts(person),
            most_days=min(int(can.sum()), int(table().number("shift.longest_week"))),
            most_away=int(table().number("shift.most_away")),
            days=tuple(days),
            overtime=_MINUTES * overtime_a_shift(person),
            extra_price=dearer * prices.overtime_hour[role] * hours,
            away_price=dearer * prices.away_shift,
            fair_price=self.rules.fairness * prices.away_shift if is_peak else 0.0,
        )

    def laid(
        self, week: int, problem: WeekProblem, solution: WeekSolution
    ) -> tuple[list[Shift], list[Unheld]]:
        """Return the shifts of a week on their days, and what cannot hold."""
        todo = []
        for number, worker in enumerate(problem.workers):
            person = self.inputs.staff[number]
            counts = _filled(worker, solution.shifts[number])
            for (branch, role), n in zip(worker.options, counts, strict=True):
                if n:
                    days = self._can(person, week) & self.opens[week][branch]
                    minutes = self._minutes(person.hours_of_shift, week)[branch]
                    todo.append(ToLay(number, branch, role, n, days, minutes))
        for branch, role in zip(*np.nonzero(solution.locums), strict=True):
            n = int(solution.locums[branch, role])
            days = self.opens[week][branch]
            minutes = self._minutes(self.shift, week)[branch]
            todo.append(ToLay(-1, int(branch), int(role), n, days, minutes))
        least = np.array(self.opens[week])[:, None, :] * self.least_a_day[None, :, None]
        laid = lay_out(todo, self.by_day[week], least.astype(float))
        unheld = self._unheld(week, problem, solution)
        return self._shifts(week, todo, laid), unheld

    def _shifts(
        self, week: int, todo: Sequence[ToLay], laid: Sequence[NDArray[np.int64]]
    ) -> list[Shift]:
        found: list[Shift] = []
        worked: Counter[int] = Counter()
        for one, days in zip(todo, laid, strict=True):
            person = self.inputs.staff[one.person] if one.person >= 0 else None
            branch = self.names[one.branch]
            for at in np.repeat(np.arange(DAYS_IN_WEEK), days):
                is_extra = False
                if person is not None:
                    worked[one.person] += 1
                    is_extra = worked[one.person] > shifts_due(person, self.weeks[week])
                on = self.weeks[week] + timedelta(days=int(at))
                usual = self.shift if person is None else person.hours_of_shift
                found.append(
                    Shift(
                        on,
                        branch,
                        ROLES[one.role],
                        min(usual, self.inputs.hours[branch].hours_on(on)),  # no longer than open
                        None if person is None else person.id,
                        is_extra,
                        person is not None and branch != person.home_branch,
                    )
                )
        return found

    def _unheld(self, week: int, problem: WeekProblem, solution: WeekSolution) -> list[Unheld]:
        found = []
        monday = self.weeks[week]
        for branch, role in zip(*np.nonzero(solution.missing), strict=True):
            name, word = self.names[branch], ROLES[role]
            place = self.inputs.hours[name].branch.name
            able = [p for p in self.inputs.staff if word in p.skills and name in p.branches]
            away = sum(days_of_leave(p, monday) > 0 for p in able)
            who = "1 person" if len(able) == 1 else f"{len(able)} people"
            have = int(problem.least[branch, role] - solution.missing[branch, role])
            found.append(
                Unheld(
                    f"a {word} on each open day",
                    name,
                    monday,
                    word,
                    f"{place}, week of {day(monday)}: a {word} on each of its "
                    f"{int(self.opens[week][branch].sum())} open days takes "
                    f"{int(problem.least[branch, role])} shifts, {have} can be had "
                    f"({who} can work there as {word}, {away} of them on leave; "
                    f"{int(problem.locum_most[branch, role])} locum shifts at most): move leave, "
                    "close a day, or find more locums",
                )
            )
        return found


def _mean_open(minutes: Array) -> Array:
    """Return the mean over open days, shape ``(branch,)``; 0 of a week with none."""
    n_open = (minutes > 0).sum(axis=1)
    return np.asarray(minutes.sum(axis=1) / np.maximum(n_open, 1))


def _filled(worker: Worker, shifts: Sequence[int]) -> list[int]:
    """Return shifts with those of the contract that nothing asked for, worked at home.

    They are paid in any case; at home and in the first skill they can only help.
    """
    counts = list(shifts)
    left = min(worker.due, worker.most_days) - sum(counts)
    at_home = [k for k, (branch, _) in enumerate(worker.options) if branch == worker.home]
    if not at_home:
        return counts
    for _ in range(max(left, 0)):
        counts[at_home[0]] += 1
        if not _can_be_laid(worker, counts):
            counts[at_home[0]] -= 1
            break
    return counts


def _can_be_laid(worker: Worker, counts: Sequence[int]) -> bool:
    return all(
        sum(n for n, (b, _) in zip(counts, worker.options, strict=True) if b in branches) <= limit
        for branches, limit in worker.days
    )
