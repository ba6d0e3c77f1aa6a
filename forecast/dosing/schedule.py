"""When to dose: the exact best dates, and what the simpler rules would leave uncovered.

Cost is counted in flare-weeks: the expected number of weeks in which a flare starts while the dog
is not covered, plus a price per dose. A day carries a seventh of its week's risk.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from forecast.dosing.therapies import CoverCurve, DosingError

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TIE = 1e-12  # a dose must win by more than rounding


@dataclass(frozen=True)
class DosingProblem:
    """One dog's days ahead: `daily_risk[i]` and `may_dose[i]` belong to `start` plus i days.

    `last_dose` is the last dose already given, on or before `start`; `most_doses` caps new ones.
    """

    start: date
    daily_risk: Floats
    may_dose: Flags
    cover: CoverCurve
    minimum_interval: int
    price: float
    most_doses: int
    last_dose: date | None = None

    def __post_init__(self) -> None:
        _check(self)

    @property
    def n_days(self) -> int:
        """Days ahead."""
        return len(self.daily_risk)

    @property
    def no_cover(self) -> int:
        """Days since a dose from which nothing of it is left and the next one is allowed."""
        return max(self.cover.ends_at, self.minimum_interval)

    @property
    def first_state(self) -> int:
        """Days since the last dose on the first day, capped."""
        if self.last_dose is None:
            return self.no_cover
        return min((self.start - self.last_dose).days, self.no_cover)

    def shares(self) -> Floats:
        """Return the covered share by days since the dose, 0 to `no_cover`."""
        return np.array([self.cover.share(since) for since in range(self.no_cover + 1)])


@dataclass(frozen=True)
class Outcome:
    """What a way of dosing is expected to give; `dates` are empty where they follow the itch."""

    name: str
    dates: tuple[date, ...]
    expected_doses: float
    uncovered_risk: float
    total: float


def best_schedule(problem: DosingProblem) -> Outcome:
    r"""Return the dates of least total cost, by dynamic programming; among equals the latest.

    State: the day, the days :math:`s` since the last dose (capped where nothing is left of it)
    and the doses :math:`k` still allowed. With daily risk :math:`r_t` and covered share
    :math:`c(s)`, waiting costs

    .. math:: W_t(s, k) = r_t (1 - c(s)) + V_{t+1}(s + 1, k)

    and a dose, where the day is open and :math:`s` has reached the minimum interval,

    .. math:: D_t(s, k) = \text{price} + \sum_{j < o} r_{t+j} (1 - c(s + j))
              + W_{t+o}(o, k - 1)

    because until its onset :math:`o` the dog still lives on what is left of the dose before.
    :math:`V = \min(W, D)` is exact: the minimum interval is longer than the onset, so
    nothing else can happen meanwhile.
    """
    dates = _best_dates(problem, _values_of_waiting(problem))
    return fixed_dates(problem, dates, name="planned dates")


def fixed_dates(problem: DosingProblem, dates: tuple[date, ...], *, name: str) -> Outcome:
    """Return what given dates leave uncovered."""
    risk = float((problem.daily_risk * (1 - covered(problem, dates))).sum())
    return Outcome(name, dates, float(len(dates)), risk, risk + problem.price * len(dates))


def no_dose(problem: DosingProblem) -> Outcome:
    """Return what is left uncovered when nothing more is given."""
    return fixed_dates(problem, (), name="no dose")


def every_interval(problem: DosingProblem, open_days: Flags, *, first: date, last: date) -> Outcome:
    """Return what dosing at the minimum interval from `first` through `last` gives.

    Each dose falls on the first open day; the cap on doses does not bind this comparison.
    """
    dates: list[date] = []
    due = max(first, _earliest(problem))
    for index in np.flatnonzero(open_days):
        day = problem.start + timedelta(days=int(index))
        if due <= day <= last:
            dates.append(day)
            due = day + timedelta(days=problem.minimum_interval)
    return fixed_dates(problem, tuple(dates), name="a dose at each interval through the season")


def at_first_itch(
    problem: DosingProblem,
    open_days: Flags,
    *,
    booking_delay: int,
    scenarios: Floats | None = None,
) -> Outcome:
    """Return what "hold a slot, start at first itch" is expected to give.

    Every flare that starts uncovered is counted; then a dose follows on the first open day after
    the booking delay (not before the next day) that keeps the minimum interval. The chances of
    all states (days since the last dose; nothing booked, or a dose on its way to its onset) are
    carried forward day by day, so the expectation is exact. A flare before the onset of a booked
    dose is counted and books nothing more.

    `scenarios (scenario, day)` are equally likely courses of the daily risk. Waiting gains where
    they differ: a season that does not come costs no dose. Without them the mean risk is sure.
    """
    courses = np.atleast_2d(problem.daily_risk if scenarios is None else scenarios)
    bare, onset = 1 - problem.shares(), problem.cover.onset
    since = np.arange(problem.no_cover + 1)
    waits = np.maximum(max(booking_delay, 1), problem.minimum_interval - since)
    next_open = _next_open(open_days)
    free = np.tile((since == problem.first_state).astype(float), (len(courses), 1))
    booked: dict[int, Floats] = {}  # chances by the day on which the booked dose sets in
    risk = doses = 0.0
    for day, daily in enumerate(courses.T):
        if day in booked:
            free[:, onset] += booked.pop(day).sum(axis=1)
        flares = free * daily[:, None] * bare
        risk += flares.sum() + sum(float(daily @ (mass @ bare)) for mass in booked.values())
        for wait in np.unique(waits[flares.any(axis=0)]):
            dose_day = _at(next_open, day + int(wait))
            started = np.where(waits == wait, flares, 0.0)
            booked[dose_day + onset] = booked.get(dose_day + onset, 0.0) + started
            doses += started.sum() if dose_day < problem.n_days else 0.0
        free = _one_day_on(free - flares)
        booked = {key: _one_day_on(mass) for key, mass in booked.items()}
    risk, doses = float(risk) / len(courses), float(doses) / len(courses)
    name = "hold a slot, start at first itch"
    return Outcome(name, (), doses, risk, risk + problem.price * doses)


def covered(problem: DosingProblem, dates: tuple[date, ...]) -> Floats:
    """Return the covered share of each day under given dates and the last dose."""
    shares = problem.shares()
    result = np.zeros(problem.n_days)
    given = [] if problem.last_dose is None else [problem.last_dose]
    for dose in [*given, *dates]:
        since = np.arange(problem.n_days) - (dose - problem.start).days
        inside = (since >= 0) & (since <= problem.no_cover)
        result[inside] = np.maximum(result[inside], shares[since[inside]])
    return result


def _values_of_waiting(problem: DosingProblem) -> Floats:
    """Return W (day, days since the last dose, doses left) by going back from the last day."""
    n_days, last, onset = problem.n_days, problem.no_cover, problem.cover.onset
    bare = 1 - problem.shares()
    waiting = np.zeros((n_days + onset + 1, last + 1, problem.most_doses + 1))
    value = np.zeros((last + 1, problem.most_doses + 1))
    for day in range(n_days - 1, -1, -1):
        waiting[day] = problem.daily_risk[day] * bare[:, None] + _after(value)
        value = waiting[day].copy()
        if problem.may_dose[day]:
            allowed = slice(problem.minimum_interval, None)
            dosing = _value_of_dosing(problem, waiting, day)
            value[allowed, 1:] = np.minimum(value[allowed, 1:], dosing[allowed])
    return waiting


def _value_of_dosing(problem: DosingProblem, waiting: Floats, day: int) -> Floats:
    """Return D (days since the last dose, doses left from 1) of a dose on a day."""
    onset, last = problem.cover.onset, problem.no_cover
    bare = 1 - problem.shares()
    until_onset = np.zeros(last + 1)
    for ahead in range(min(onset, problem.n_days - day)):
        since = np.minimum(np.arange(last + 1) + ahead, last)
        until_onset += problem.daily_risk[day + ahead] * bare[since]
    return problem.price + until_onset[:, None] + waiting[day + onset, onset, :-1]


def _best_dates(problem: DosingProblem, waiting: Floats) -> tuple[date, ...]:
    """Walk forward through the values, dosing only where that is better than waiting."""
    dates: list[date] = []
    day, since, left = 0, problem.first_state, problem.most_doses
    while day < problem.n_days:
        allowed = problem.may_dose[day] and since >= problem.minimum_interval and left > 0
        if allowed and _dosing_wins(problem, waiting, day=day, since=since, left=left):
            dates.append(problem.start + timedelta(days=day))
            day, since, left = day + problem.cover.onset, problem.cover.onset, left - 1
        # On the day of the onset no dose is possible: the interval is longer than the onset.
        day, since = day + 1, min(since + 1, problem.no_cover)
    return tuple(dates)


def _dosing_wins(
    problem: DosingProblem, waiting: Floats, *, day: int, since: int, left: int
) -> bool:
    dosing = _value_of_dosing(problem, waiting, day)[since, left - 1]
    return bool(dosing < waiting[day, since, left] - TIE)


def _after(value: Floats) -> Floats:
    """Return the value one day on: days since the last dose go up by one, to their cap."""
    return np.concatenate([value[1:], value[-1:]])


def _one_day_on(mass: Floats) -> Floats:
    """Return chances (scenario, days since the last dose) one day on."""
    moved = np.zeros_like(mass)
    moved[:, 1:] = mass[:, :-1]
    moved[:, -1] += mass[:, -1]
    return moved


def _next_open(open_days: Flags) -> NDArray[np.int64]:
    """Return for each day the first open day from it on; past the last one, the number of days."""
    days = np.where(open_days, np.arange(len(open_days)), len(open_days))
    return np.minimum.accumulate(days[::-1])[::-1]


def _at(next_open: NDArray[np.int64], day: int) -> int:
    return int(next_open[day]) if day < len(next_open) else len(next_open)


def _earliest(problem: DosingProblem) -> date:
    if problem.last_dose is None:
        return problem.start
    return problem.last_dose + timedelta(days=problem.minimum_interval)


def _check(problem: DosingProblem) -> None:
    """Refuse a problem that has no safe answer, in one sentence."""
    risk = np.asarray(problem.daily_risk)
    if risk.ndim != 1 or risk.shape != np.shape(problem.may_dose):
        raise DosingError(
            f"a schedule was asked with {risk.size} days of risk and "
            f"{np.size(problem.may_dose)} days of opening; give both for the same days"
        )
    unusable = np.flatnonzero(~(np.isfinite(risk) & (risk >= 0) & (risk <= 1)))
    if unusable.size:
        day = problem.start + timedelta(days=int(unusable[0]))
        raise DosingError(
            f"a schedule was asked with a risk of {risk[unusable[0]]} on {day} ({unusable.size} "
            "such days); a daily risk is known and between 0 and 1; no dose can be planned "
            "without it"
        )
    if problem.minimum_interval <= problem.cover.onset:
        raise DosingError(
            f"a minimum interval of {problem.minimum_interval} days was asked with an onset after "
            f"{problem.cover.onset}; it must be longer than the onset"
        )
    if problem.price < 0 or problem.most_doses < 0:
        raise DosingError(
            f"a price of {problem.price} and a cap of {problem.most_doses} doses were asked; "
            "neither may be below 0"
        )
    if problem.last_dose is not None and problem.last_dose > problem.start:
        raise DosingError(
            f"a schedule from {problem.start} was asked with a last dose on {problem.last_dose}; "
            "a dose already given is not after the start; leave booked doses out"
        )
