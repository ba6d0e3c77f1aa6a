r"""Penalised negative-binomial regression by Newton steps on coefficients and dispersion together.

Counts of flare visits vary more than a Poisson count of the same mean would: a bad week is bad
for many dogs. The negative binomial gives each week its own latent rate, with variance

.. math:: \operatorname{var}(y) = \mu + \mu^2 / k,

where *k* is the *size*; a large size is a Poisson count. The mean is log-linear in the design,
``mu = exp(offset + X b)``, and each coefficient carries a normal prior with mean zero, so that a
region or driver about which the data say little stays near the common value.

A Poisson fit by Newton steps comes first: negative-binomial fits started elsewhere were seen to
diverge on sparse counts. From there coefficients and ``log(1/k)`` are moved together by Newton
steps on the penalised log-likelihood, with the observed information and step halving; the last
steps converge quadratically, so the result is the optimum to about the rounding of the sums.

A week whose diary was full is *right-censored*: it says that at least so many would have come. Its
part of the log-likelihood is ``log P(Y >= c)``, the regularised incomplete beta function at
``mu / (mu + k)``, whose derivative in ``log(mu)`` is ``c P(Y = c) / P(Y >= c)``.

References
----------
McCullagh P. & Nelder J.A. 1989, Generalized Linear Models, 2nd ed., chapters 2.5 and 6.2.3.
Lawless J.F. 1987, Canadian Journal of Statistics 15:209-225 (negative-binomial regression).
NIST Digital Library of Mathematical Functions, section 8.17 (incomplete beta function).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import betaincc, gammaln

from models.errors import ForepawError

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_MAX_ROUNDS = 100
_LOG_ALPHA_RANGE = (-14.0, 4.0)  # numerically Poisson; wilder than any count series of a practice
_COEFFICIENT_TOLERANCE = 1e-9
# the derivative in log(alpha) is a difference of near-equal sums: its last digits never settle
_LOG_ALPHA_TOLERANCE = 1e-7
_CENSORED_TOLERANCE, _FLAT = 1e-6, 1e-10  # of coefficients, and of the objective's own size
_ETA_LIMIT = 30.0  # exp(30) visits a week cannot be meant: keeps a wild first step finite
_DIFFERENCE = 1e-4  # step in log(alpha) of the censored rows' numerical derivatives


class FitError(ForepawError):
    """The counts cannot be fitted."""


@dataclass(frozen=True)
class NegativeBinomialFit:
    """What a fit found.

    Attributes
    ----------
    coefficients
        Log-mean coefficients, shape ``(term,)``.
    covariance
        Inverse of the penalised information at the optimum, shape ``(term, term)``.
    size
        The size *k* of the negative binomial; infinite where nothing exceeds a Poisson count.
    log_likelihood
        Unpenalised log-likelihood at the optimum.
    """

    coefficients: Array
    covariance: Array
    size: float
    log_likelihood: float


def fit_negative_binomial(
    design: Array,
    counts: Array,
    *,
    offset: Array,
    precision: Array,
    censored: Mask | None = None,
) -> NegativeBinomialFit:
    """Fit coefficients and size.

    Parameters
    ----------
    design
        Shape ``(row, term)``.
    counts
        Whole numbers from zero, shape ``(row,)``.
    offset
        Known part of the log-mean, shape ``(row,)``.
    precision
        Prior precision of each coefficient (1 / variance; zero is no prior), shape ``(term,)``.
    censored
        Rows in which at least as many as counted would have come, shape ``(row,)``; None is none.

    Raises
    ------
    FitError
        If there is no row, a row is not finite, a count is negative, or the fit does not settle.
    """
    _check(design, counts, offset)
    problem = _Problem(design, counts, offset, precision, _cut_off(counts, censored))
    start = np.zeros(design.shape[1])
    start[0] = np.log((counts.sum() + 0.5) / np.exp(offset).sum())
    # the Poisson fit is only a start: its last digits are not needed
    coefficients = _climb(problem, start, None, tolerance=1e-3)[0]
    first = _moment_start(counts, problem.mean(coefficients))
    coefficients, log_alpha = _climb(problem, coefficients, first)
    if log_alpha <= _LOG_ALPHA_RANGE[0] + 1e-6:
        coefficients, alpha = _climb(problem, coefficients, None)[0], 0.0
    else:
        alpha = float(np.exp(log_alpha))
    mean = problem.mean(coefficients)
    information = problem.gram(mean / (1.0 + alpha * mean)) + np.diag(precision)
    return NegativeBinomialFit(
        coefficients,
        np.linalg.inv(information).astype(np.float64),
        1.0 / alpha if alpha else float("inf"),
        problem.log_likelihood(mean, alpha),
    )


def _check(design: Array, counts: Array, offset: Array) -> None:
    if len(counts) == 0:
        raise FitError("a fit was asked of no counts at all")
    if not (np.isfinite(design).all() and np.isfinite(offset).all() and np.isfinite(counts).all()):
        raise FitError("a fit was asked of rows with missing values; leave such rows out")
    if (counts < 0).any():
        raise FitError(f"counts cannot be negative; found {counts.min():g}")
    if (counts % 1 != 0).any():
        raise FitError(f"counts must be whole; found {counts[counts % 1 != 0][0]:g}")


def _cut_off(counts: Array, censored: Mask | None) -> NDArray[np.int64]:
    """Return the rows that are censored; "at least none" says nothing, but harms nothing."""
    if censored is None:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(censored & (counts > 0)).astype(np.int64)


@dataclass
class _Problem:
    """Counts and design of one fit, with the likelihood and its derivatives."""

    design: Array
    counts: Array
    offset: Array
    precision: Array
    cut: NDArray[np.int64]
    seen: Mask = field(init=False)
    above: Array = field(init=False)
    distinct: Array = field(init=False)
    times: NDArray[np.int64] = field(init=False)
    log_factorials: float = field(init=False)

    def __post_init__(self) -> None:
        self.seen = np.ones(len(self.counts), dtype=bool)
        self.seen[self.cut] = False
        counted = self.counts[self.seen].astype(np.int64)
        self.distinct, self.times = np.unique(self.counts[self.seen], return_counts=True)
        self.log_factorials = float(self.times @ gammaln(self.distinct + 1.0))
        # number of counts above j, for j = 0, 1, ...: all that the dispersion needs of them
        self.above = (len(counted) - np.cumsum(np.bincount(counted))[:-1]).astype(float)

    def mean(self, coefficients: Array) -> Array:
        eta = self.offset + self.design @ coefficients
        return np.exp(np.clip(eta, -_ETA_LIMIT, _ETA_LIMIT))

    def gram(self, weights: Array) -> Array:
        scaled = self.design * np.sqrt(weights)[:, None]
        product: Array = scaled.T @ scaled
        return product

    def log_likelihood(self, mean: Array, alpha: float) -> float:
        y, m = self.counts[self.seen], mean[self.seen]
        distinct, times = self.distinct, self.times
        total = float(y @ np.log(m)) - self.log_factorials
        if alpha < np.exp(_LOG_ALPHA_RANGE[0]):
            total -= float(m.sum())
        else:
            size = 1.0 / alpha
            total += float(times @ (gammaln(distinct + size) - gammaln(size)))
            total += float(times @ distinct) * np.log(alpha)
            total -= float((y + size) @ np.log1p(alpha * m))
        return total + float(self._log_tail(mean, alpha).sum())

    def objective(self, coefficients: Array, alpha: float) -> float:
        """Penalised log-likelihood."""
        prior = 0.5 * float(self.precision @ (coefficients * coefficients))
        return self.log_likelihood(self.mean(coefficients), alpha) - prior

    def slopes(self, mean: Array, alpha: float) -> tuple[Array, Array]:
        """First derivative, and the negative of the second, of each row in the log mean."""
        damped = 1.0 + alpha * mean
        first = (self.counts - mean) / damped
        second = mean * (1.0 + alpha * self.counts) / damped**2
        if len(self.cut):
            hazard = self._hazard(mean, alpha)
            second[self.cut] = hazard * np.maximum(hazard - first[self.cut], 0.0)
            first[self.cut] = hazard
        return first, second

    def dispersion_slopes(self, mean: Array, log_alpha: float) -> tuple[float, float]:
        """First and second derivative of the log-likelihood in ``log(alpha)``."""
        first, second = _log_alpha_derivatives(
            self.counts[self.seen], mean[self.seen], self.above, log_alpha
        )
        if len(self.cut):
            tails = [
                float(self._log_tail(mean, np.exp(log_alpha + d)).sum())
                for d in (-_DIFFERENCE, 0.0, _DIFFERENCE)
            ]
            first += (tails[2] - tails[0]) / (2.0 * _DIFFERENCE)
            second += (tails[2] - 2.0 * tails[1] + tails[0]) / _DIFFERENCE**2
        return first, second

    def mixed_slope(self, mean: Array, alpha: float) -> Array:
        """Return the derivative of each row in its log mean and ``log(alpha)``."""
        mixed: Array = -(self.counts - mean) * alpha * mean / (1.0 + alpha * mean) ** 2
        if len(self.cut):
            less, more = (
                self._hazard(mean, alpha * np.exp(d)) for d in (-_DIFFERENCE, _DIFFERENCE)
            )
            mixed[self.cut] = (more - less) / (2.0 * _DIFFERENCE)
        return mixed

    def _log_tail(self, mean: Array, alpha: float) -> Array:
        """Return the log probability of at least the count, of the censored rows."""
        if not len(self.cut):
            return np.zeros(0)
        c, m = self.counts[self.cut], mean[self.cut]
        size = 1.0 / max(alpha, np.exp(_LOG_ALPHA_RANGE[0]))
        success = size / (m + size)
        # the complement, so that a tail that is all but nothing keeps its digits
        log_tail: Array = np.log(np.maximum(betaincc(size, c, success), 1e-300))
        return log_tail

    def _hazard(self, mean: Array, alpha: float) -> Array:
        c, m = self.counts[self.cut], mean[self.cut]
        size = 1.0 / max(alpha, np.exp(_LOG_ALPHA_RANGE[0]))
        log_mass = gammaln(c + size) - gammaln(size) - gammaln(c + 1.0)
        log_mass += c * np.log(m / (m + size)) - size * np.log1p(m / size)
        hazard: Array = c * np.exp(log_mass - self._log_tail(mean, alpha))
        return hazard


def _climb(
    problem: _Problem,
    coefficients: Array,
    log_alpha: float | None,
    *,
    tolerance: float = _COEFFICIENT_TOLERANCE,
) -> tuple[Array, float]:
    """Newton steps to the optimum; at a `log_alpha` of None a Poisson fit of the mean alone."""
    now = -np.inf if log_alpha is None else log_alpha
    best = problem.objective(coefficients, float(np.exp(now)))
    for _ in range(_MAX_ROUNDS):
        step, turn = _newton_step(problem, coefficients, now)
        scale, value = 1.0, -np.inf
        while scale > 1e-6:
            trial, new = coefficients + scale * step, _kept(now + scale * turn)
            value = problem.objective(trial, float(np.exp(new)))
            if value >= best - 1e-11 * abs(best):
                break
            scale *= 0.5
        else:
            return coefficients, now  # no step rises: the optimum, to the rounding of the sums
        moved = float(np.abs(trial - coefficients).max())
        settled = moved < tolerance and (new == now or abs(new - now) < _LOG_ALPHA_TOLERANCE)
        if len(problem.cut):  # numerical derivatives: where all but flat, log(alpha) wanders on
            flat = abs(value - best) < _FLAT * abs(best)
            settled |= flat and moved < _CENSORED_TOLERANCE
        coefficients, now, best = trial, new, max(best, value)
        if settled:
            return coefficients, now
    raise FitError(f"the negative-binomial fit of {len(problem.counts)} weeks did not settle")


def _kept(log_alpha: float) -> float:
    return float(np.clip(log_alpha, *_LOG_ALPHA_RANGE)) if np.isfinite(log_alpha) else log_alpha


def _newton_step(problem: _Problem, coefficients: Array, log_alpha: float) -> tuple[Array, float]:
    """Return the step of the coefficients and of ``log(alpha)``."""
    alpha = float(np.exp(log_alpha))
    mean = problem.mean(coefficients)
    first, second = problem.slopes(mean, alpha)
    gradient = problem.design.T @ first - problem.precision * coefficients
    factor = cho_factor(problem.gram(second) + np.diag(problem.precision + 1e-12))
    alone = cho_solve(factor, gradient)
    if not np.isfinite(log_alpha):
        return alone, 0.0
    slope, bend = problem.dispersion_slopes(mean, log_alpha)
    mixed = problem.design.T @ problem.mixed_slope(mean, alpha)
    through = cho_solve(factor, mixed)
    curvature = bend + float(mixed @ through)
    if curvature >= 0.0:  # far from the optimum the likelihood bends the wrong way
        return alone, float(np.sign(slope))
    turn = -(slope + float(mixed @ alone)) / curvature
    bounded = float(np.clip(turn, -1.0, 1.0))
    return np.asarray(alone + bounded * through), bounded


def _moment_start(counts: Array, mean: Array) -> float:
    excess = float(np.sum((counts - mean) ** 2 - mean))
    alpha = max(excess / float(np.sum(mean**2)), 1e-3)
    return float(np.clip(np.log(alpha), *_LOG_ALPHA_RANGE))


def _log_alpha_derivatives(
    counts: Array, mean: Array, above: Array, log_alpha: float
) -> tuple[float, float]:
    """First and second derivative of the log-likelihood in ``log(alpha)``.

    The difference of digammas of a whole count is the sum of ``1 / (size + j)`` below it: written
    so, nothing cancels when the size is large. `above` is the number of counts above each j.
    """
    size = float(np.exp(-log_alpha))
    steps = size + np.arange(len(above))
    by_size = float(above @ (1.0 / steps)) + float(
        np.sum((mean - counts) / (size + mean) - np.log1p(mean / size))
    )
    by_size_twice = -float(above @ (1.0 / steps**2)) + float(
        np.sum(mean / (size * (size + mean)) - (mean - counts) / (size + mean) ** 2)
    )
    # chain rule: size = exp(-log_alpha)
    return -size * by_size, size * by_size + size**2 * by_size_twice
