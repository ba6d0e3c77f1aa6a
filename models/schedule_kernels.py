"""The hot loops of a schedule of doses, compiled; wrapped by the dosing desk.

Nothing here knows a label, a unit or a table: days are numbered from 0, arrays in, arrays out. The
equations, and what they leave out, stand where these are wrapped.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.kernels import compiled

_Array = NDArray[np.float64]
_Flags = NDArray[np.bool_]
_Whole = NDArray[np.int64]

RISK, DOSES = 0, 1  # places in what `at_itch` returns


@compiled
def values_of_waiting(
    risk: _Array,
    may_dose: _Flags,
    bare: _Array,
    interval: int,
    onset: int,
    price: float,
    most_doses: int,
) -> _Array:
    """Return the least cost to come if no dose is given on a day.

    Parameters
    ----------
    risk, may_dose
        Dims (day,).
    bare
        Share of the risk that is left, by days since the dose; the last holds for all later ones.
    interval, onset
        Days. `onset` is less than `interval`, which is less than the length of `bare`.
    price
        Cost of a dose, in the unit of the risk.

    Returns
    -------
    numpy.ndarray
        Dims (day, days since the dose, doses left); zero for `onset` + 1 days past the last.
    """
    n_days, n_states = risk.size, bare.size
    last = n_states - 1
    waiting = np.zeros((n_days + onset + 1, n_states, most_doses + 1))
    value = np.zeros((n_states, most_doses + 1))
    for day in range(n_days - 1, -1, -1):
        for since in range(n_states):
            after = min(since + 1, last)
            for left in range(most_doses + 1):
                waiting[day, since, left] = risk[day] * bare[since] + value[after, left]
        for since in range(n_states):
            for left in range(most_doses + 1):
                value[since, left] = waiting[day, since, left]
        if may_dose[day]:
            for since in range(interval, n_states):
                until = price + _until_onset(risk, bare, day, since, onset)
                for left in range(1, most_doses + 1):
                    dosing = until + waiting[day + onset, onset, left - 1]
                    value[since, left] = min(value[since, left], dosing)
    return waiting


@compiled
def _until_onset(risk: _Array, bare: _Array, day: int, since: int, onset: int) -> float:
    total = 0.0
    for ahead in range(min(onset, risk.size - day)):
        total += risk[day + ahead] * bare[min(since + ahead, bare.size - 1)]
    return total


@compiled
def best_days(
    risk: _Array,
    may_dose: _Flags,
    bare: _Array,
    interval: int,
    onset: int,
    price: float,
    most_doses: int,
    first_state: int,
    tie: float,
) -> _Whole:
    """Return the days of the doses of least cost, dosing only where that wins by more than `tie`.

    Parameters are those of `values_of_waiting`, and `first_state`, the days since the last dose on
    the first day.
    """
    waiting = values_of_waiting(risk, may_dose, bare, interval, onset, price, most_doses)
    days = np.zeros(most_doses, dtype=np.int64)
    n_doses, day, since, last = 0, 0, first_state, bare.size - 1
    while day < risk.size:
        left = most_doses - n_doses
        if may_dose[day] and since >= interval and left > 0:
            dosing = price + _until_onset(risk, bare, day, since, onset)
            dosing += waiting[day + onset, onset, left - 1]
            if dosing < waiting[day, since, left] - tie:
                days[n_doses] = day
                n_doses += 1
                day, since = day + onset, onset
        # on the day of the onset no dose is possible: the interval is longer than the onset
        day, since = day + 1, min(since + 1, last)
    return days[:n_doses]


@compiled
def at_itch(
    courses: _Array,
    bare: _Array,
    next_open: _Whole,
    planned: _Flags,
    delay: int,
    interval: int,
    onset: int,
    first_state: int,
) -> _Array:
    """Return what dosing at the first itch is expected to leave and to take, by plan and course.

    Going back from the last day, a plan is like one without dates until its last one: these days
    are walked once for all plans.

    Parameters
    ----------
    courses
        Chance of a flare on a day without cover, dims (day, course).
    bare, interval, onset, first_state
        As for `best_days`.
    next_open
        The first open day from each day on, at least the number of days where there is none.
    planned
        Days on which a dose is given in any case that keeps the interval, dims (plan, day).
    delay
        Days from the itch to the earliest slot, at least 1.

    Returns
    -------
    numpy.ndarray
        Expected flares without cover, and expected doses, dims (plan, 2, course).
    """
    (n_days, n_courses), n_plans = courses.shape, planned.shape[0]
    no_dates = np.zeros(n_days, dtype=np.bool_)
    walk = (courses, bare, next_open)
    rules = (delay, interval, onset)
    value = np.zeros((bare.size, 2, n_courses))
    row = np.arange(bare.size)
    # by day, at the day of the onset; empty past the last day. Days are written before they are
    # read, so that what a plan leaves there before its last date is never another's
    set_in = np.zeros((n_days + 1, 2, n_courses))
    ends = np.zeros(n_plans, dtype=np.int64)
    for plan in range(n_plans):
        for day in range(n_days):
            if planned[plan, day]:
                ends[plan] = day + 1
    expected = np.zeros((n_plans, 2, n_courses))
    walked = n_days
    for plan in np.argsort(-ends):
        _walk_back(value, row, set_in, walk, no_dates, rules, (ends[plan], walked))
        walked = ends[plan]
        own, own_row = value.copy(), row.copy()
        _walk_back(own, own_row, set_in, walk, planned[plan], rules, (0, walked))
        expected[plan] = own[own_row[first_state]]
    return expected


@compiled
def _walk_back(
    value: _Array,
    row: _Whole,
    set_in: _Array,
    walk: tuple[_Array, _Array, _Whole],
    planned: _Flags,
    rules: tuple[int, int, int],
    days: tuple[int, int],
) -> None:
    """Go back from the second of `days` to the first, over what is to come in each state.

    `row` says where in `value` a state stands: most only move on by a day.
    """
    courses, bare, next_open = walk
    delay, interval, onset = rules
    n_days, last = courses.shape[0], bare.size - 1
    flared = np.zeros(courses.shape[1])
    for day in range(days[1] - 1, days[0] - 1, -1):
        for since in range(bare.size):
            after = min(since + 1, last)
            if bare[since] == 0.0 and after == last:  # which is still to be read for itself
                _copy(value, row[since], value, row[after])
            elif bare[since] == 0.0:
                row[since], row[after] = row[after], row[since]
            else:
                dose = _dose_day(day, since, next_open, planned, delay, interval)
                begins = min(dose + onset, n_days)
                _uncovered(flared, courses, bare, day + 1, begins, since + 1)
                given = 1.0 if dose < n_days else 0.0
                places = (row[since], row[after], begins, day)
                _mix(value, flared, set_in, courses, places, given, bare[since])
        if planned[day]:
            begins = min(day + onset, n_days)
            if onset == 0:
                _copy(set_in, day, value, row[0])
            for since in range(interval, bare.size):
                _uncovered(flared, courses, bare, day, begins, since)
                own = value[row[since]]
                for course in range(flared.size):
                    own[RISK, course] = flared[course] + set_in[begins, RISK, course]
                    own[DOSES, course] = 1.0 + set_in[begins, DOSES, course]
        _copy(set_in, day, value, row[onset])


@compiled
def _copy(into: _Array, place: int, values: _Array, row: int) -> None:
    for kind in range(values.shape[1]):
        for course in range(values.shape[2]):
            into[place, kind, course] = values[row, kind, course]


@compiled
def _uncovered(
    total: _Array, courses: _Array, bare: _Array, first: int, end: int, since: int
) -> None:
    """Add up what is left of the risk of the days from `first` up to `end`, by course."""
    for course in range(total.size):
        total[course] = 0.0
    for day in range(first, end):
        weight = bare[min(since + day - first, bare.size - 1)]
        for course in range(total.size):
            total[course] += courses[day, course] * weight


@compiled
def _mix(
    value: _Array,
    until: _Array,
    set_in: _Array,
    courses: _Array,
    places: tuple[int, int, int, int],
    given: float,
    left: float,
) -> None:
    """Write what is to come in a state on a day, with a flare on that day or without.

    `places` are the state, that of the next day, the day of a booked dose's onset, and the day.
    """
    since, after, begins, day = places
    for course in range(until.size):
        chance = courses[day, course] * left
        stays = 1.0 - chance
        flared = 1.0 + until[course] + set_in[begins, RISK, course]
        took = given + set_in[begins, DOSES, course]
        value[since, RISK, course] = chance * flared + stays * value[after, RISK, course]
        value[since, DOSES, course] = chance * took + stays * value[after, DOSES, course]


@compiled
def _dose_day(
    day: int, since: int, next_open: _Whole, planned: _Flags, delay: int, interval: int
) -> int:
    """Return the day of the dose after an itch: the first slot, or a planned dose before it."""
    n_days = next_open.size
    earliest = day + max(delay, interval - since)
    dose = next_open[earliest] if earliest < n_days else n_days
    for other in range(day + max(1, interval - since), min(dose, n_days)):
        if planned[other]:
            return other
    return dose
