"""Fit of the endemic-epidemic regression: Fisher scoring, and Laplace's evidence of a prior.

The mean is ``exposed (exp(D b) + lambda recent)``; parameters are the coefficients *b*, the logit
of *lambda* and the log of the negative binomial's size, with one normal prior over all of them. The
mode is found by scoring with step halving; the information in the size, which the mean does not
share, is a difference of its slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, expit, gammaln

Array = NDArray[np.float64]
_MAX_ROUNDS, _SETTLED, _LEAST_STEP = 50, 1e-5, 1e-4
_LOG_LIMIT = 14.0  # of a rate relative to the usual one, and of the size: keeps a wild step finite
_FIRST_LOG_SIZE = 2.0
_DIFFERENCE = 1e-3
_TINY = 1e-9


@dataclass(frozen=True)
class Rows:
    """Weeks to fit to.

    Attributes
    ----------
    design
        Columns of the log of the endemic rate, shape ``(row, term)``.
    counts
        Shape ``(row,)``.
    exposed
        What a rate of one would mean, shape ``(row,)``.
    recent
        Rate of the weeks before, shape ``(row,)``.
    """

    design: Array
    counts: Array
    exposed: Array
    recent: Array


class Prior(NamedTuple):
    """Mean ``(parameter,)`` and precision ``(parameter, parameter)`` of the normal prior."""

    mean: Array
    precision: Array


class Mode(NamedTuple):
    """The mode, the inverse information at it, and the log evidence of the prior."""

    coefficients: Array
    covariance: Array
    log_evidence: float


def fit_mode(rows: Rows, prior: Prior, *, start: Array | None = None) -> Mode:
    """Find the mode of the posterior.

    Parameters
    ----------
    rows
        Known weeks.
    prior
        Of coefficients, logit of *lambda*, log of size, in this order.
    start
        Parameters to start from; without, no season and half of the mean lasting.
    """
    problem = _Problem(rows, prior)
    if start is None:
        start = np.zeros(len(prior.mean))
        start[0], start[-1] = np.log(0.5), _FIRST_LOG_SIZE
    at, value = start, problem.objective(start)
    for _ in range(_MAX_ROUNDS):
        step = np.linalg.solve(problem.information(at), problem.slope(at))
        scale = 1.0
        while scale > _LEAST_STEP:
            risen = problem.objective(at + scale * step)
            if risen >= value:
                break
            scale *= 0.5
        else:
            break  # no step rises: the mode, to the rounding of the sums
        at, gained, value = at + scale * step, risen - value, risen
        if gained < _SETTLED:
            break
    information = problem.information(at)
    evidence = value + 0.5 * (
        np.linalg.slogdet(prior.precision)[1] - np.linalg.slogdet(information)[1]
    )
    return Mode(at, np.linalg.inv(information), float(evidence))


@dataclass
class _Problem:
    rows: Rows
    prior: Prior

    def _parts(self, at: Array) -> tuple[Array, float, float, Array]:
        """Return the endemic part, *lambda*, the size and the mean of each row."""
        rows = self.rows
        rate = np.exp(np.clip(rows.design @ at[:-2], -_LOG_LIMIT, _LOG_LIMIT))
        lasting, size = float(expit(at[-2])), _size(at)
        return rows.exposed * rate, lasting, size, self._mean(rate, lasting)

    def _mean(self, rate: Array, lasting: float) -> Array:
        return np.asarray(self.rows.exposed * (rate + lasting * self.rows.recent) + _TINY)

    def objective(self, at: Array) -> float:
        """Return log-likelihood and log prior, less what no parameter moves."""
        _, _, size, mean = self._parts(at)
        y = self.rows.counts
        likelihood = gammaln(y + size) - gammaln(size) + size * np.log(size) + y * np.log(mean)
        likelihood -= (y + size) * np.log(mean + size)
        off = at - self.prior.mean
        return float(likelihood.sum() - 0.5 * off @ self.prior.precision @ off)

    def slope(self, at: Array) -> Array:
        """Return the derivatives of the objective."""
        endemic, lasting, size, mean = self._parts(at)
        by_mean = self.rows.counts / mean - (self.rows.counts + size) / (mean + size)
        by_logit = float(by_mean @ (self.rows.exposed * self.rows.recent))
        by_logit *= lasting * (1.0 - lasting)
        likelihood = np.concatenate(
            [self.rows.design.T @ (by_mean * endemic), [by_logit, self._by_log_size(size, mean)]]
        )
        return np.asarray(likelihood - self.prior.precision @ (at - self.prior.mean))

    def _by_log_size(self, size: float, mean: Array) -> float:
        y = self.rows.counts
        each = digamma(y + size) - digamma(size) + 1.0 + np.log(size)
        each -= np.log(mean + size) + (y + size) / (mean + size)
        return float(size * each.sum())

    def information(self, at: Array) -> Array:
        """Return the expected information in the mean's parameters, the observed in the size."""
        endemic, lasting, size, mean = self._parts(at)
        weight = np.sqrt(1.0 / (mean + mean**2 / size))
        by_logit = lasting * (1.0 - lasting) * self.rows.exposed * self.rows.recent
        moved = np.column_stack([endemic[:, None] * self.rows.design, by_logit]) * weight[:, None]
        found = np.zeros((len(at), len(at)))
        found[:-1, :-1] = moved.T @ moved
        less, more = (
            self._by_log_size(size * np.exp(d), mean) for d in (-_DIFFERENCE, _DIFFERENCE)
        )
        # far from the mode the likelihood may bend the wrong way
        found[-1, -1] = max((less - more) / (2.0 * _DIFFERENCE), 1.0)
        return np.asarray(found + self.prior.precision)


def _size(at: Array) -> float:
    return float(np.exp(np.clip(at[-1], -_LOG_LIMIT, _LOG_LIMIT)))
