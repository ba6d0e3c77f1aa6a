r"""Conditional logit of visits in risk sets, with the wait from itch to visit integrated over.

If on a day :math:`\tau` the itch begins at a rate that is multiplied by :math:`\exp(\beta^\top
x_\tau)`, visits come on day :math:`t` at a rate multiplied by

.. math:: r_t(\beta) = \sum_d p_d \exp(\beta^\top x_{t-d}),

and, given that one visit came in risk set :math:`S`, it came on :math:`t` with probability
:math:`\pi_t = r_t / \sum_{s \in S} r_s`. With no wait (:math:`p_0 = 1`) this is the conditional
logit of matched sets. With :math:`\tilde x_t = \sum_d w_{td} x_{t-d}`, :math:`w_{td} = p_d
\exp(\beta^\top x_{t-d}) / r_t`, the score is :math:`\sum_t (y_t - n \pi_t) \tilde x_t` and the
expected information :math:`\sum_S n \operatorname{Var}_\pi(\tilde x)`; Fisher scoring with halved
steps finds the maximum.

Known failures: a driver that separates the visits from all other days has no maximum (refused);
errors take visits as independent given exposure, which shared shocks break (see ``year_blocks``).

References
----------
Breslow N.E. et al. 1978, Am J Epidemiol 108:299-307 (conditional logit); Maclure M. 1991.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.culprits.risk_sets import RiskSets

Floats = NDArray[np.float64]
_STEPS, _HALVINGS = 50, 30  # of the search for the maximum
_STILL = 1e-10
_BEYOND = 20.0  # a log odds ratio per standard deviation that no data give: there is no maximum


@dataclass(frozen=True)
class NormalPrior:
    """What coefficients are drawn to: mean ``(driver,)`` and precision ``(driver, driver)``."""

    mean: Floats
    precision: Floats


@dataclass(frozen=True)
class LogitFit:
    """Log odds ratios ``(driver,)`` with covariance; NaN where the search found no maximum.

    `log_likelihood` is that of the visits, without any prior.
    """

    coefficients: Floats
    covariance: Floats
    log_likelihood: float

    @property
    def converged(self) -> bool:
        """Whether there is a maximum."""
        return bool(np.isfinite(self.coefficients).all())


def fit_conditional_logit(
    sets: RiskSets,
    drivers: Floats,
    *,
    delay: Floats,
    prior: NormalPrior | None = None,
    weight: float = 1.0,
) -> LogitFit:
    """Fit log odds ratios by maximum likelihood, or to the posterior mode under a prior.

    Parameters
    ----------
    sets
        Risk sets of ``row`` days.
    drivers
        Drivers 0, 1, 2 ... days before each row's day, shape ``(row, wait, driver)``.
    delay
        Share of visits by their wait, shape ``(wait,)``, sum one.
    prior
        Normal prior; none unless given.
    weight
        What the visits count for beside the prior, 1 over the inflation of their variance.

    Returns
    -------
    LogitFit
        Estimate and covariance; all NaN where there is no finite maximum.
    """
    n = drivers.shape[-1]
    prior = prior or NormalPrior(np.zeros(n), np.zeros((n, n)))
    beta = prior.mean.copy()
    at = _Likelihood.of(sets, drivers, delay, beta)
    for _ in range(_STEPS):
        information = weight * at.information + prior.precision
        score = weight * at.score - prior.precision @ (beta - prior.mean)
        try:
            step: Floats = np.asarray(np.linalg.solve(information, score), dtype=float)
        except np.linalg.LinAlgError:
            return _no_maximum(n)
        gain = float(score @ step)
        if gain < _STILL:
            return LogitFit(beta, np.asarray(np.linalg.inv(information)), at.value)
        beta, at = _halved(sets, drivers, delay, beta, step, at, prior, weight)
        if np.abs(beta).max() > _BEYOND:
            return _no_maximum(n)
    return _no_maximum(n)


def _no_maximum(n: int) -> LogitFit:
    return LogitFit(np.full(n, np.nan), np.full((n, n), np.nan), float("nan"))


@dataclass(frozen=True)
class _Likelihood:
    """Log-likelihood, score and expected information at some coefficients."""

    value: float
    score: Floats
    information: Floats

    @classmethod
    def of(cls, sets: RiskSets, drivers: Floats, delay: Floats, beta: Floats) -> _Likelihood:
        came = delay > 0
        met = drivers[:, came]
        terms = met @ beta + np.log(delay[came])
        highest = terms.max(axis=1, keepdims=True)
        share = np.exp(terms - highest)
        total = share.sum(axis=1)
        log_rate = np.log(total) + highest[:, 0]
        mean = np.einsum("rd,rdp->rp", share, met) / total[:, None]
        chance, log_sum = set_chances(sets, log_rate)
        number = sets.total(sets.visits)
        expected = number[sets.set_of_row] * chance
        center = sets.total((chance[:, None] * mean).T).T
        return cls(
            float(sets.visits @ log_rate - number @ log_sum),
            (sets.visits - expected) @ mean,
            (mean.T * expected) @ mean - (center.T * number) @ center,
        )


def set_chances(sets: RiskSets, log_rate: Floats) -> tuple[Floats, Floats]:
    """Return each row's chance in its set ``(row,)`` and the log of each set's sum ``(set,)``."""
    highest = np.maximum.reduceat(log_rate, sets.first_row)
    of_row = sets.set_of_row
    log_sum = highest + np.log(sets.total(np.exp(log_rate - highest[of_row])))
    return np.exp(log_rate - log_sum[of_row]), log_sum


def _halved(
    sets: RiskSets,
    drivers: Floats,
    delay: Floats,
    beta: Floats,
    step: Floats,
    at: _Likelihood,
    prior: NormalPrior,
    weight: float,
) -> tuple[Floats, _Likelihood]:
    """Go along a step, halved until the penalised likelihood does not fall."""

    def penalised(place: Floats, here: _Likelihood) -> float:
        off = place - prior.mean
        return weight * here.value - 0.5 * float(off @ prior.precision @ off)

    before = penalised(beta, at)
    for halving in range(_HALVINGS):
        moved = beta + step / 2**halving
        there = _Likelihood.of(sets, drivers, delay, moved)
        if penalised(moved, there) >= before:
            return moved, there
    return beta, at
