r"""Year blocks: the same visits beside the exposure of other years.

Dogs of a practice share shocks that last for weeks (an outbreak of fleas, a vet on leave), so the
conditional logit's own errors are far too small and any exposure that happened to be high in a bad
week passes for its cause. So the record of exposure is cut into whole years, counted back from its
newest day, and the years are laid beside the visits in other orders: seasons and persistence stay
as they are, and what a year's exposure does to *other* years' visits is chance. The visits, with
their shocks, are never touched.

For a driver left out of a fit on the others (adjusters :math:`A`, residuals :math:`e`, weights
:math:`w = n \pi`), with :math:`z` the driver as the visits met it on average over the wait,

.. math:: U = \sum e z, \quad V = \sum w \tilde z^2 - c^\top M^{-1} c, \quad c = \sum w \tilde A
          \tilde z, \quad M = \sum w \tilde A \tilde A^\top, \quad T = U / \sqrt V

with :math:`\tilde{}` for departures from the set's mean. *T* is worked out for the order as it was
and for random orders. The p value is one-sided, the share of orders (its own among them) whose *T*
is at least as large: only what goes with *more* flares is a culprit. It is exact, whatever the
visits' shocks, if years of exposure (as departures from what is usual) are exchangeable.

Known failures: a driver that rises over the years is not exchangeable; few years of exposure allow
few orders; shocks that exposure's own weather causes (heat that keeps owners at home) are no
chance.

References
----------
Good P. 2005, Permutation, Parametric and Bootstrap Tests of Hypotheses, 3rd ed. Cox D.R. & Hinkley
D.V. 1974, Theoretical Statistics, chapter 9 (score tests).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import perm

import numpy as np
from numpy.typing import NDArray

from models.culprits.conditional_logit import fit_conditional_logit, set_chances
from models.culprits.risk_sets import RiskSets
from models.weeks import DAYS_IN_WEEK, WEEKS_IN_YEAR

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_AT_ONCE = 4_000_000  # numbers worked on at a time
_NO_WAIT = np.ones(1)


@dataclass(frozen=True)
class YearBlocks:
    """The record of exposure cut into years, and the orders in which they are laid out.

    Attributes
    ----------
    n_years
        Whole years of the record.
    n_met
        Of these, years that visits lie in.
    possible
        How many different orders there are.
    day
        Positions in the record at which each order finds each row's exposure, shape ``(order,
        row)``; the first order is the true one.
    """

    n_years: int
    n_met: int
    possible: int
    day: Ints

    @classmethod
    def cut(cls, at: Ints, *, first: int, n_days: int, n_orders: int, seed: int) -> YearBlocks:
        """Cut a record of `n_days` days, known from `first`, for rows at positions `at`.

        Rows must lie in whole years of it. Orders are drawn without replacement of years within an
        order; `n_orders` besides the true one.
        """
        ends = _block_ends(first, n_days)
        n_years = len(ends) - 1
        block = np.searchsorted(-ends, -at, side="right") - 1
        met, own = np.unique(block, return_inverse=True)
        rng = np.random.default_rng(seed)
        drawn = np.argsort(rng.random((n_orders, n_years)), axis=1)[:, : met.size]
        shift = ends[drawn] - ends[met]
        shift = np.concatenate([np.zeros((1, met.size), dtype=np.int64), shift])
        day = at + shift[:, own]
        # a year of 53 weeks laid on one of 52 begins a week before it
        day = np.where(day < first, day + DAYS_IN_WEEK, day)
        return cls(n_years, met.size, perm(n_years, met.size), day)


def whole_years(first: int, n_days: int) -> int:
    """Return how many whole years a record known from position `first` holds."""
    return max(0, int((n_days - first) / DAYS_IN_WEEK / WEEKS_IN_YEAR))


def start_of_years(first: int, n_days: int) -> int:
    """Return the position at which its whole years begin."""
    return int(_block_ends(first, n_days)[-1]) + 1


def _block_ends(first: int, n_days: int) -> Ints:
    """Return the last position of each year, newest first, and that before the oldest begins."""
    n_years = whole_years(first, n_days)
    weeks = np.round(np.arange(n_years + 1) * WEEKS_IN_YEAR).astype(np.int64)
    return n_days - 1 - DAYS_IN_WEEK * weeks


@dataclass(frozen=True)
class OrderScores:
    """Statistic *T* and one-step effect *U / V* of a driver by order, shape ``(order,)``."""

    statistic: Floats
    effect: Floats

    @property
    def p_value(self) -> float:
        """Share of orders, the true one among them, that go with flares as much."""
        return float(np.mean(self.statistic >= self.statistic[0]))

    @property
    def effect_sd(self) -> float:
        """Standard deviation of the effect over orders that are not the true one."""
        return float(np.std(self.effect[1:]))


class LeftOut:
    """The fit without a driver: its adjusters alone, as visits met them.

    Parameters
    ----------
    sets
        Risk sets.
    adjusters
        Smeared adjusters of each row, shape ``(row, adjuster)``.
    """

    def __init__(self, sets: RiskSets, adjusters: Floats) -> None:
        self.sets = sets
        log_rate = np.zeros(sets.day.size)
        if adjusters.shape[1]:
            fitted = fit_conditional_logit(sets, adjusters[:, None, :], delay=_NO_WAIT)
            if fitted.converged:
                log_rate = adjusters @ fitted.coefficients
        self.chance, _ = set_chances(sets, log_rate)
        self.number = sets.total(sets.visits)
        self.weight = self.number[sets.set_of_row] * self.chance
        self.residual = sets.visits - self.weight
        center = sets.total(adjusters.T * self.chance)
        self.adjusters = adjusters - center[:, sets.set_of_row].T
        inverse = np.linalg.pinv((self.adjusters.T * self.weight) @ self.adjusters)
        self.weighted = self.adjusters * self.weight[:, None]
        self.inverse = np.asarray(inverse)
        # what the residuals still hold along the adjusters: nothing, but for rounding
        self.left = self.adjusters.T @ self.residual

    def scores(self, driver: Floats, blocks: YearBlocks) -> OrderScores:
        """Test a smeared driver ``(region, day)``, NaN where not known, in each order of years."""
        n_orders = blocks.day.shape[0]
        rows = max(1, _AT_ONCE // max(self.sets.day.size, 1))
        known = np.nan_to_num(driver)
        found = [
            self._score(known[self.sets.region, blocks.day[start : start + rows]])
            for start in range(0, n_orders, rows)
        ]
        u, v = (np.concatenate(part) for part in zip(*found, strict=True))
        still = v <= 0
        v = np.where(still, 1.0, v)
        return OrderScores(np.where(still, 0.0, u / np.sqrt(v)), np.where(still, 0.0, u / v))

    def _score(self, z: Floats) -> tuple[Floats, Floats]:
        """Return U and V of drivers ``(order, row)``."""
        center = self.sets.total(z * self.chance)
        shared = z @ self.weighted
        explained = shared @ self.inverse
        u = z @ self.residual - explained @ self.left
        v = (z * z) @ self.weight - (center * center) @ self.number
        return u, v - np.einsum("oa,oa->o", explained, shared)
