r"""Penalised negative-binomial regression by iteratively reweighted least squares.

Counts of flare visits vary more than a Poisson count of the same mean would: a bad week is bad
for many dogs. The negative binomial gives each week its own latent rate, with variance

.. math:: \operatorname{var}(y) = \mu + \mu^2 / k,

where *k* is the *size*; a large size is a Poisson count. The mean is log-linear in the design,
``mu = exp(offset + X b)``, and each coefficient carries a normal prior with mean zero, so that a
region or driver about which the data say little stays near the common value.

The coefficients are found by Newton steps (Fisher scoring) with step halving on the penalised
log-likelihood, the size by Newton steps on ``log(1/k)``, in turn until both stand still. The start
is a Poisson fit: negative-binomial fits started elsewhere were seen to diverge on sparse counts.

References
----------
McCullagh P. & Nelder J.A. 1989, Generalized Linear Models, 2nd ed., chapters 2.5 and 6.2.3.
Lawless J.F. 1987, Canadian Journal of Statistics 15:209-225 (negative-binomial regression).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from models.errors import ForepawError

Array = NDArray[np.float64]

_MAX_ROUNDS = 60
_LOG_ALPHA_RANGE = (-14.0, 4.0)  # numerically Poisson; wilder than any count series of a practice
_COEFFICIENT_TOLERANCE = 1e-10
# the derivative in log(alpha) is a difference of near-equal sums: its last digits never settle
_LOG_ALPHA_TOLERANCE = 1e-8
_ETA_LIMIT = 30.0  # exp(30) visits a week cannot be meant: keeps a wild first step finite


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
    design: Array, counts: Array, *, offset: Array, precision: Array
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

    Raises
    ------
    FitError
        If there is no row, a row is not finite, a count is negative, or the fit does not settle.
    """
    _check(design, counts, offset)
    start = np.zeros(design.shape[1])
    start[0] = np.log((counts.sum() + 0.5) / np.exp(offset).sum())
    coefficients = _coefficients(design, counts, offset, precision, alpha=0.0, start=start)
    log_alpha = _moment_start(counts, _mean(design, coefficients, offset))
    for _ in range(_MAX_ROUNDS):
        mean = _mean(design, coefficients, offset)
        new_log_alpha = _log_alpha(counts, mean, log_alpha)
        new = _coefficients(
            design, counts, offset, precision, alpha=np.exp(new_log_alpha), start=coefficients
        )
        steady = abs(new_log_alpha - log_alpha) < _LOG_ALPHA_TOLERANCE
        steady = steady and bool(np.abs(new - coefficients).max() < _COEFFICIENT_TOLERANCE)
        coefficients, log_alpha = new, new_log_alpha
        if steady:
            break
    else:
        raise FitError(f"the negative-binomial fit of {len(counts)} weeks did not settle")
    alpha = float(np.exp(log_alpha))
    mean = _mean(design, coefficients, offset)
    information = (design.T * _weights(mean, alpha)) @ design + np.diag(precision)
    at_floor = log_alpha <= _LOG_ALPHA_RANGE[0] + 1e-6
    covariance = np.linalg.inv(information).astype(np.float64)
    return NegativeBinomialFit(
        coefficients,
        covariance,
        float("inf") if at_floor else 1.0 / alpha,
        _log_likelihood(counts, mean, alpha),
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


def _mean(design: Array, coefficients: Array, offset: Array) -> Array:
    mean: Array = np.exp(np.clip(offset + design @ coefficients, -_ETA_LIMIT, _ETA_LIMIT))
    return mean


def _weights(mean: Array, alpha: float) -> Array:
    return mean / (1.0 + alpha * mean)


def _log_likelihood(counts: Array, mean: Array, alpha: float) -> float:
    distinct, times = np.unique(counts, return_counts=True)
    if alpha < np.exp(_LOG_ALPHA_RANGE[0]):
        constant = -float(times @ gammaln(distinct + 1.0))
        return _mean_part(counts, mean, 0.0) + constant
    size = 1.0 / alpha
    constants = gammaln(distinct + size) - gammaln(size) - gammaln(distinct + 1.0)
    constants += distinct * np.log(alpha)
    return _mean_part(counts, mean, alpha) + float(times @ constants)


def _mean_part(counts: Array, mean: Array, alpha: float) -> float:
    """Return the part of the log-likelihood that moves with the mean."""
    if alpha < np.exp(_LOG_ALPHA_RANGE[0]):
        return float(counts @ np.log(mean) - mean.sum())
    return float(counts @ np.log(mean) - (counts + 1.0 / alpha) @ np.log1p(alpha * mean))


def _coefficients(
    design: Array, counts: Array, offset: Array, precision: Array, *, alpha: float, start: Array
) -> Array:
    """Newton steps on the coefficients at a fixed dispersion ``alpha = 1/k``."""

    def objective(b: Array) -> float:
        mean = _mean(design, b, offset)
        return _mean_part(counts, mean, alpha) - 0.5 * float(precision @ (b * b))

    current, best = start, objective(start)
    for _ in range(_MAX_ROUNDS):
        mean = _mean(design, current, offset)
        gradient = design.T @ ((counts - mean) / (1.0 + alpha * mean)) - precision * current
        information = (design.T * _weights(mean, alpha)) @ design + np.diag(precision)
        step = np.linalg.solve(information, gradient)
        scale, value = 1.0, objective(current + step)
        while value < best - 1e-12 * abs(best) and scale > 1e-6:
            scale *= 0.5
            value = objective(current + scale * step)
        current, best = current + scale * step, max(best, value)
        if np.abs(step).max() * scale < 1e-11:
            break
    return current


def _moment_start(counts: Array, mean: Array) -> float:
    excess = float(np.sum((counts - mean) ** 2 - mean))
    alpha = max(excess / float(np.sum(mean**2)), 1e-3)
    return float(np.clip(np.log(alpha), *_LOG_ALPHA_RANGE))


def _log_alpha(counts: Array, mean: Array, start: float) -> float:
    """Newton steps on ``log(alpha)`` at fixed means, kept inside the allowed range."""
    current = start
    for _ in range(_MAX_ROUNDS):
        first, second = _log_alpha_derivatives(counts, mean, current)
        step = -first / second if second < 0 else np.sign(first)
        step = float(np.clip(step, -1.0, 1.0))
        new = float(np.clip(current + step, *_LOG_ALPHA_RANGE))
        if abs(new - current) < 1e-12:
            return new
        current = new
    return current


def _log_alpha_derivatives(counts: Array, mean: Array, log_alpha: float) -> tuple[float, float]:
    """First and second derivative of the log-likelihood in ``log(alpha)``.

    The difference of digammas of a whole count is the sum of ``1 / (size + j)`` below it: written
    so, nothing cancels when the size is large.
    """
    size = float(np.exp(-log_alpha))
    above = len(counts) - np.cumsum(np.bincount(counts.astype(np.int64)))[:-1]  # counts above j
    steps = size + np.arange(len(above))
    by_size = float(above @ (1.0 / steps)) + float(
        np.sum((mean - counts) / (size + mean) - np.log1p(mean / size))
    )
    by_size_twice = -float(above @ (1.0 / steps**2)) + float(
        np.sum(mean / (size * (size + mean)) - (mean - counts) / (size + mean) ** 2)
    )
    # chain rule: size = exp(-log_alpha)
    return -size * by_size, size * by_size + size**2 * by_size_twice
