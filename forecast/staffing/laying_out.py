"""A week's shifts laid on its days: one a day for each person, most where most is to be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

Array = NDArray[np.float64]
_ALONE = 1e4  # minutes: a day without anybody of a role that must be there weighs as much
_SECONDS = 2.0


@dataclass(frozen=True)
class ToLay:
    """Shifts of one person (or, `person` -1, of a locum) at one branch in one role, in one week.

    `days` says on which days, by position, one may be laid; `minutes` what a shift holds on each.
    """

    person: int
    branch: int
    role: int
    shifts: int
    days: NDArray[np.bool_]
    minutes: Array


def lay_out(shifts: Sequence[ToLay], wanted: Array, least: Array) -> list[NDArray[np.int64]]:
    """Lay shifts on days.

    Parameters
    ----------
    shifts
        What is to be laid.
    wanted
        Shape ``(branch, role, day)``: minutes of work by day.
    least
        Shape ``(branch, role, day)``: people who must be there.

    Returns
    -------
    list of arrays
        For each of `shifts` how many lie on each day: 0 or 1 of a person, any number of locums.
        Where days do not suffice, fewer than asked are laid.
    """
    if not shifts:
        return []
    n_days = wanted.shape[2]
    places = sorted({(one.branch, one.role) for one in shifts})
    n_laid, n_places = len(shifts) * n_days, len(places) * n_days
    # laid [one, day] | short [place, day] | alone [place, day] | not laid [one]
    n = n_laid + 2 * n_places + len(shifts)
    price = np.concatenate(
        [
            np.zeros(n_laid),
            np.ones(n_places),
            np.full(n_places, _ALONE),
            np.full(len(shifts), 10 * _ALONE),
        ]
    )
    most = np.concatenate(
        [(np.where(s.days, s.shifts if s.person < 0 else 1, 0)) for s in shifts]
        + [np.full(2 * n_places + len(shifts), np.inf)]
    )
    row: list[int] = []
    column: list[int] = []
    value: list[float] = []
    low: list[float] = []
    high: list[float] = []

    def add(terms: list[tuple[int, float]], least_sum: float, most_sum: float) -> None:
        for at, number in terms:
            row.append(len(low))
            column.append(at)
            value.append(number)
        low.append(least_sum)
        high.append(most_sum)

    for k, one in enumerate(shifts):
        own = [(k * n_days + day, 1.0) for day in range(n_days)]
        add([*own, (n_laid + 2 * n_places + k, 1.0)], one.shifts, one.shifts)
    for person in sorted({one.person for one in shifts if one.person >= 0}):
        theirs = [k for k, one in enumerate(shifts) if one.person == person]
        if len(theirs) > 1:
            for day in range(n_days):
                add([(k * n_days + day, 1.0) for k in theirs], 0.0, 1.0)
    for q, (branch, role) in enumerate(places):
        here = [k for k, one in enumerate(shifts) if (one.branch, one.role) == (branch, role)]
        for day in range(n_days):
            short = n_laid + q * n_days + day
            add(
                [*((k * n_days + day, float(shifts[k].minutes[day])) for k in here), (short, 1.0)],
                wanted[branch, role, day],
                np.inf,
            )
            add(
                [*((k * n_days + day, 1.0) for k in here), (short + n_places, 1.0)],
                least[branch, role, day],
                np.inf,
            )
    result = milp(
        price,
        integrality=np.concatenate([np.ones(n_laid), np.zeros(n - n_laid)]),
        bounds=Bounds(0.0, most),
        constraints=LinearConstraint(
            sparse.csr_array((value, (row, column)), shape=(len(low), n)), low, high
        ),
        options={"mip_rel_gap": 0.02, "time_limit": _SECONDS},
    )
    assert result.x is not None  # whatever is not laid is paid for, so there is always an answer
    laid = np.rint(result.x[:n_laid]).astype(np.int64).reshape(len(shifts), n_days)
    return list(laid)
