"""When to dose: the exact best dates, and what the simpler rules would leave uncovered.

Cost is counted in flare-weeks: the expected number of weeks in which a flare starts while the dog
is not covered, plus a price per dose. A day carries a seventh of its week's risk.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from forecast.dosing.therapies import CoverCurve, DosingError
from models.schedule_kernels import at_itch, best_days

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TIE = 1e-12  # a dose must win by more than rounding
FIRST_ITCH = "hold a slot, start at first itch"
_NO_DATES: Mapping[str, tuple[date, ...]] = MappingProxyType({FIRST_ITCH: ()})
LEFT_OUT = (
    "The arithmetic leaves out that one flare may make the next one likelier or worse, that a dose "
    "may hold for longer once than another time, that a cancelled or missed visit moves what "
    "follows, and all that doses do beside the itch; every flare counts the same."
)


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
        return _shares(self.cover, self.no_cover)

    def dates_of(self, days: Iterable[int]) -> tuple[date, ...]:
        """Return the dates of days that are numbered from the start."""
        return tuple(self.start + timedelta(days=int(day)) for day in days)


@dataclass(frozen=True)
class Outcome:
    """What a way of dosing is expected to give; doses that follow the itch have no `dates`."""

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
    nothing else can happen meanwhile. What this state leaves out is `LEFT_OUT`.
    """
    days = best_days(
        problem.daily_risk,
        problem.may_dose,
        1 - problem.shares(),
        problem.minimum_interval,
        problem.cover.onset,
        problem.price,
        problem.most_doses,
        problem.first_state,
        TIE,
    )
    return fixed_dates(problem, problem.dates_of(days), name="planned dates")


def fixed_dates(problem: DosingProblem, dates: tuple[date, ...], *, name: str) -> Outcome:
    """Return what given dates leave uncovered."""
    risk = float((problem.daily_risk * (1 - covered(problem, dates))).sum())
    return Outcome(name, dates, float(len(dates)), risk, risk + problem.price * len(dates))


def no_dose(problem: DosingProblem) -> Outcome:
    """Return what is left uncovered when nothing more is given."""
    return fixed_dates(problem, (), name="no dose")


def every_interval(
    problem: DosingProblem,
    open_days: Flags,
    *,
    first: date,
    last: date,
    interval: int | None = None,
    name: str = "a dose at each interval through the season",
) -> Outcome:
    """Return what dosing at an interval from `first` through `last` gives.

    The interval is the minimum interval, or a longer one. Each dose falls on the first open day;
    the cap on doses does not bind this comparison.
    """
    apart = max(problem.minimum_interval, interval or 0)
    due = max((first - problem.start).days, _earliest(problem))
    until = (last - problem.start).days
    next_open = _next_open(open_days)
    days: list[int] = []
    while due <= until and due < len(open_days):
        day = int(next_open[max(due, 0)])
        if day > min(until, len(open_days) - 1):
            break
        days.append(day)
        due = day + apart
    return fixed_dates(problem, problem.dates_of(days), name=name)


def at_first_itch(
    problem: DosingProblem,
    open_days: Flags,
    *,
    booking_delay: int,
    scenarios: Floats | None = None,
    planned: Mapping[str, tuple[date, ...]] = _NO_DATES,
) -> tuple[Outcome, ...]:
    r"""Return what "hold a slot, start at first itch" is expected to give with each of some plans.

    Every flare that starts uncovered is counted; then a dose follows on the first open day after
    the booking delay (not before the next day) that keeps the minimum interval. A flare before
    the onset of a booked dose is counted and books nothing more. Doses on the days of a plan, by
    name in `planned`, are given besides, where they keep the interval; an itch before one of them
    brings no other dose if that one comes first. Outcomes come in the order of the plans.

    The expectation is exact, by going back from the last day: with the chance of a flare
    :math:`f_t(s) = r_t (1 - c(s))` at :math:`s` days since the last dose, and the booked dose's
    onset on day :math:`b`,

    .. math:: V_t(s) = f_t(s) \Big[1 + \sum_{t < j < b} r_j (1 - c(s + j - t)) + V_b(o)\Big]
              + (1 - f_t(s)) V_{t+1}(s + 1)

    `scenarios (scenario, day)` are equally likely courses of the daily risk. Waiting gains where
    they differ: a season that does not come costs no dose. Without them the mean risk is sure.
    """
    courses = np.atleast_2d(problem.daily_risk if scenarios is None else scenarios)
    on_plan = np.zeros((len(planned), problem.n_days), dtype=bool)
    for flags, dates in zip(on_plan, planned.values(), strict=True):
        flags[[(day - problem.start).days for day in dates]] = True
    expected = at_itch(
        np.ascontiguousarray(courses.T),
        1 - problem.shares(),
        _next_open(open_days),
        on_plan,
        max(booking_delay, 1),
        problem.minimum_interval,
        problem.cover.onset,
        problem.first_state,
    )
    found = []
    for (name, dates), means in zip(planned.items(), expected.mean(axis=2).tolist(), strict=True):
        risk, doses = means
        found.append(Outcome(name, dates, doses, risk, risk + problem.price * doses))
    return tuple(found)


def covered(problem: DosingProblem, dates: tuple[date, ...]) -> Floats:
    """Return the covered share of each day under given dates and the last dose."""
    shares = problem.shares()
    result = np.zeros(problem.n_days)
    given = [] if problem.last_dose is None else [problem.last_dose]
    for dose in [*given, *dates]:
        day = (dose - problem.start).days
        held = result[max(day, 0) : max(day + shares.size, 0)]
        skip = max(-day, 0)
        np.maximum(held, shares[skip : skip + held.size], out=held)
    return result


@lru_cache(maxsize=1024)  # the same for very many dogs
def _shares(cover: CoverCurve, no_cover: int) -> Floats:
    shares = np.array([cover.share(since) for since in range(no_cover + 1)])
    shares.setflags(write=False)
    return shares


def _next_open(open_days: Flags) -> NDArray[np.int64]:
    """Return for each day the first open day from it on; past the last one, the number of days."""
    days = np.where(open_days, np.arange(len(open_days)), len(open_days))
    return np.minimum.accumulate(days[::-1])[::-1]


def _earliest(problem: DosingProblem) -> int:
    """Return the first day on which another dose keeps the interval."""
    if problem.last_dose is None:
        return 0
    return (problem.last_dose - problem.start).days + problem.minimum_interval


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
