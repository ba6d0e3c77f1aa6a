r"""One week's roster as a mixed-integer programme in two stages, solved by HiGHS.

Now: how many whole shifts :math:`n_{pbr}` each person works at which branch in which role, how many
of them over the contract, :math:`e_p`, and how many locum shifts :math:`z_{br}` are booked. Later,
in each future :math:`s` of equal weight: overtime :math:`o_{brs}` and visits without room
:math:`u_{bs}`.

.. math::

    \min\; & \sum_p c^e_p e_p + \sum_{p,\,b \ne home} c^a_p n_{pbr} + \sum c^z_r z_{br}
        + \tfrac1S \sum_s \Bigl( \sum c^o_r o_{brs} + \sum_b c^u_b u_{bs} \Bigr) \\
    & \sum_p h_p n_{pbr} + h_r z_{br} + o_{brs} + \bar m_{brs} u_{bs} \ge need_{brs}, \quad
      o_{brs} \le \sum_p \bar o_p n_{pbr} \\
    & \sum_{br} n_{pbr} \le due_p + e_p, \quad
      \sum_p n_{pbr} + z_{br} + v_{br} \ge open_b \cdot least_r

Contract hours are paid in any case, so they cost nothing here. Over all sets of a person's
branches, shifts there do not exceed the days on which the person and one of these branches are
there, so that one shift a day can be laid out. :math:`v`, people missing from the least that must
be present, is priced far above all else: where it is not zero, that constraint cannot hold, and it
is named.

Weeks are tied by two prices (`forecast.staffing.rostering`). That of a visit without room holds
what the next week makes of it, so weeks are solved from the last to the first. And for fairness, in
the peak weeks the second and third shift of a week that somebody works over the contract or away
from home are dearer, and so is each for whoever has some already; that price is no money, and is in
no cost shown.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from forecast.staffing.week_problem import WeekProblem, WeekSolution, Worker
from models.errors import ForepawError

Array = NDArray[np.float64]
# dearer than any week's other costs: a missing person is never traded for money
_MISSING = 1e5
_STEPS = 2  # the second and the third burden of a week; nobody is sent away more often


class ProgrammeError(ForepawError):
    """The programme of a week could not be solved at all."""


class _Columns:
    """Variables in blocks: where each block begins, its prices, bounds and kind."""

    def __init__(self) -> None:
        self.n = 0
        self.price: list[Array] = []
        self.upper: list[Array] = []
        self.whole: list[Array] = []

    def add(self, price: Array, upper: Array | float, *, whole: bool) -> NDArray[np.int64]:
        flat = np.asarray(price, dtype=float).ravel()
        self.price.append(flat)
        self.upper.append(np.broadcast_to(np.asarray(upper, dtype=float), np.shape(price)).ravel())
        self.whole.append(np.full(len(flat), float(whole)))
        at = np.arange(self.n, self.n + len(flat)).reshape(np.shape(price))
        self.n += len(flat)
        return at


class _Rows:
    """Constraints, each at least ``low``; gathered as coordinates."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.low: list[float] = []

    def at_least(self, low: float, terms: list[tuple[int, float]]) -> None:
        here = len(self.low)
        self.low.append(low)
        for column, value in terms:
            self.row.append(here)
            self.column.append(column)
            self.value.append(value)

    def at_most(self, high: float, terms: list[tuple[int, float]]) -> None:
        self.at_least(-high, [(column, -value) for column, value in terms])


def solve_week(problem: WeekProblem, *, gap: float, seconds: float) -> WeekSolution:
    """Solve one week's programme.

    Where people are missing, they are counted first and the rest is solved without them: their
    price would make any gap look small.

    Parameters
    ----------
    problem
        The week.
    gap
        Cost above the best bound that is good enough, as a share of the cost [1].
    seconds
        How long it may take [s].

    Raises
    ------
    ProgrammeError
        If no roster at all was found in that time.
    """
    began = time.monotonic()
    found = _solved_once(problem, gap=gap, seconds=seconds)
    if not found.missing.any():
        return found
    held = replace(problem, least=problem.least - found.missing)
    left = max(seconds - (time.monotonic() - began), seconds / 2)
    try:
        rest = _solved_once(held, gap=gap, seconds=left)
    except ProgrammeError:
        penalty = _MISSING * float(found.missing.sum())
        bound = max(found.bound - penalty, 0.0)
        return replace(found, cost=found.cost - penalty, bound=bound, is_within=False)
    return replace(rest, missing=found.missing + rest.missing)


def _solved_once(problem: WeekProblem, *, gap: float, seconds: float) -> WeekSolution:
    n_futures, n_branches, n_roles = problem.need.shape
    columns, rows = _Columns(), _Rows()
    people = [
        columns.add(
            np.array([w.away_price * (b != w.home) for b, _ in w.options]), w.most_days, whole=True
        )
        for w in problem.workers
    ]
    extra = columns.add(
        np.array([w.extra_price for w in problem.workers]),
        np.array([w.most_extra for w in problem.workers]),
        whole=True,
    )
    by_role = np.broadcast_to(problem.locum_price, (n_branches, n_roles))
    locums = columns.add(by_role, problem.locum_most, whole=True)
    missing = columns.add(np.full((n_branches, n_roles), _MISSING), problem.least, whole=True)
    over_price = np.broadcast_to(problem.overtime_price / n_futures, problem.need.shape)
    over = columns.add(over_price, np.inf, whole=False)
    unmet = columns.add(
        np.tile(problem.visit_price / n_futures, (n_futures, 1)), np.inf, whole=False
    )
    each = np.array([[w.fair_price] * _STEPS for w in problem.workers]).reshape(-1, _STEPS)
    unfair = columns.add(each, np.inf, whole=False)
    for worker, own, more, steps in zip(problem.workers, people, extra, unfair, strict=True):
        _limit_worker(rows, worker, own, int(more))
        _spread_burden(rows, worker, own, (int(more), steps))
    at = _who_is_where(problem.workers, people, (n_branches, n_roles))
    for branch in range(n_branches):
        for role in range(n_roles):
            here = at[branch][role]
            present = [(column, 1.0) for column, *_ in here]
            present += [(int(locums[branch, role]), 1.0), (int(missing[branch, role]), 1.0)]
            rows.at_least(float(problem.least[branch, role]), present)
            _hold_load(rows, problem, (branch, role), here, (locums, over, unmet))
    return _solved(problem, columns, rows, (people, extra, locums, missing), gap, seconds)


def _spread_burden(
    rows: _Rows, worker: Worker, own: NDArray[np.int64], more: tuple[int, NDArray[np.int64]]
) -> None:
    extra, steps = more
    if worker.fair_price <= 0.0:
        return
    burden = [
        (int(c), -1.0) for c, (b, _) in zip(own, worker.options, strict=True) if b != worker.home
    ]
    for number, step in enumerate(steps, start=1):
        rows.at_least(-float(number), [(int(step), 1.0), (extra, -1.0), *burden])


def _limit_worker(rows: _Rows, worker: Worker, own: NDArray[np.int64], extra: int) -> None:
    every = [(int(column), 1.0) for column in own]
    rows.at_most(worker.due, [*every, (extra, -1.0)])
    rows.at_most(worker.most_days, every)
    for branches, limit in worker.days:
        rows.at_most(
            limit,
            [(int(c), 1.0) for c, (b, _) in zip(own, worker.options, strict=True) if b in branches],
        )
    away = [
        (int(c), 1.0) for c, (b, _) in zip(own, worker.options, strict=True) if b != worker.home
    ]
    if away:
        rows.at_most(worker.most_away, away)


_Here = list[tuple[int, float, float]]  # of each who can be there: column, minutes, overtime


def _who_is_where(
    workers: tuple[Worker, ...], people: list[NDArray[np.int64]], shape: tuple[int, int]
) -> list[list[_Here]]:
    at: list[list[_Here]] = [[[] for _ in range(shape[1])] for _ in range(shape[0])]
    for worker, own in zip(workers, people, strict=True):
        for (branch, role), minutes, column in zip(
            worker.options, worker.minutes, own, strict=True
        ):
            at[branch][role].append((int(column), minutes, worker.overtime))
    return at


def _hold_load(
    rows: _Rows,
    problem: WeekProblem,
    place: tuple[int, int],
    here: _Here,
    columns: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]],
) -> None:
    branch, role = place
    locums, over, unmet = columns
    held = [(column, minutes) for column, minutes, _ in here]
    held.append((int(locums[branch, role]), float(problem.locum_minutes[branch])))
    more = [(column, -overtime) for column, _, overtime in here if overtime > 0]
    for future in range(len(problem.need)):
        need, first = problem.need[future, branch, role], problem.first[future, branch, role]
        visits = problem.visits[future, branch]
        if need <= first or visits <= 0:  # no visit can be turned away for this role's sake
            continue
        late = int(over[future, branch, role])
        each = (need - first) / visits
        rows.at_least(need, [*held, (late, 1.0), (int(unmet[future, branch]), each)])
        rows.at_most(0.0, [(late, 1.0), *more])


def _solved(
    problem: WeekProblem,
    columns: _Columns,
    rows: _Rows,
    found: tuple[list[NDArray[np.int64]], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]],
    gap: float,
    seconds: float,
) -> WeekSolution:
    matrix = sparse.csr_array(
        (rows.value, (rows.row, rows.column)), shape=(len(rows.low), columns.n)
    )
    result = milp(
        np.concatenate(columns.price),
        integrality=np.concatenate(columns.whole),
        bounds=Bounds(0.0, np.concatenate(columns.upper)),
        constraints=LinearConstraint(matrix, np.array(rows.low), np.inf),
        options={"mip_rel_gap": gap, "time_limit": max(seconds, 0.1)},
    )
    if result.x is None:
        raise ProgrammeError(
            f"no roster of a week was found in {seconds:.0f} s ({result.message}); allow more time"
        )
    people, extra, locums, missing = found
    x = np.rint(result.x).astype(np.int64)
    return WeekSolution(
        shifts=tuple(tuple(int(n) for n in x[own]) for own in people),
        extra=tuple(int(n) for n in x[extra]),
        locums=x[locums],
        missing=x[missing],
        cost=float(result.fun),
        bound=float(result.mip_dual_bound),
        is_within=result.status == 0,
    )
