"""What one week's roster is asked of the programme in, and what it answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Worker:
    """What the programme knows of one person in one week.

    Attributes
    ----------
    options
        Pairs of branch and role, by position, in which they can work.
    minutes
        Bookable minutes of one shift, by option.
    home
        Position of the home branch; -1 where it is not planned.
    due, most_extra, most_days, most_away
        Shifts: of the contract, over it, in all, away from home.
    days
        Sets of branches and the days on which they and the person are there.
    overtime
        Overtime that goes with a shift [min].
    extra_price, away_price
        Of a shift over the contract, and away from home.
    fair_price
        Of the second such shift of the week on top of these, and again of each further one.
    """

    options: tuple[tuple[int, int], ...]
    minutes: tuple[float, ...]
    home: int
    due: int
    most_extra: int
    most_days: int
    most_away: int
    days: tuple[tuple[frozenset[int], int], ...]
    overtime: float
    extra_price: float
    away_price: float
    fair_price: float = 0.0


@dataclass(frozen=True)
class WeekProblem:
    """One week.

    Attributes
    ----------
    workers
        Who can be rostered.
    need, first
        Shape ``(scenario, branch, role)``: minutes wanted, and those of them that come before all
        visits [min].
    visits
        Shape ``(scenario, branch)``: visits that come.
    least
        Shape ``(branch, role)``: shifts that must be filled.
    locum_most
        Shape ``(branch, role)``: locum shifts that can be had.
    locum_minutes
        Shape ``(branch,)``: bookable minutes of one.
    locum_price
        Shape ``(branch, role)``: of a shift.
    overtime_price
        Shape ``(role,)``: of a minute.
    visit_price
        Shape ``(branch,)``: of a visit without room.
    """

    workers: tuple[Worker, ...]
    need: Array
    first: Array
    visits: Array
    least: Array
    locum_most: Array
    locum_minutes: Array
    locum_price: Array
    overtime_price: Array
    visit_price: Array


@dataclass(frozen=True)
class WeekSolution:
    """Shifts of one week.

    Attributes
    ----------
    shifts
        By worker: shifts by option, in the order of `Worker.options`.
    extra
        By worker: how many of them are over the contract.
    locums
        Shape ``(branch, role)``.
    missing
        Shape ``(branch, role)``: people missing from the least that must be present.
    cost, bound
        Of the programme, and the least it could be.
    is_within
        Whether the gap asked was reached.
    """

    shifts: tuple[tuple[int, ...], ...]
    extra: tuple[int, ...]
    locums: NDArray[np.int64]
    missing: NDArray[np.int64]
    cost: float
    bound: float
    is_within: bool


def contracts_alone(problem: WeekProblem) -> WeekSolution:
    """Return the week in which nothing is decided: no locum, nothing over the contract, no cost."""
    none = np.zeros(problem.least.shape, dtype=np.int64)
    return WeekSolution(
        shifts=tuple(tuple(0 for _ in worker.options) for worker in problem.workers),
        extra=tuple(0 for _ in problem.workers),
        locums=none,
        missing=none,
        cost=0.0,
        bound=0.0,
        is_within=False,
    )
