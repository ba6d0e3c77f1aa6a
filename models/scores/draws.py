"""Continuous ranked probability score of forecasts given as draws, or as a negative binomial.

scoringrules is imported where it is called: where numba is installed too, that import compiles for
six seconds, which no command that scores nothing should wait for. The negative binomial has its
closed form here, for reviews and backtests, which score in every process.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, hyp2f1

from models.fields import Field, apply_kernel
from models.negative_binomial import cdf, require_counts
from models.scores.errors import ScoreError

_Array = NDArray[np.float64]

# How far above its mean a count is summed over, in standard deviations, and how many cumulative
# probabilities are held at a time: sizes of the computation, not of the forecast.
_REACH = 40.0
_AT_A_TIME = 2_000_000


def crps_from_draws(observed: Field, draws: Field, *, fair: bool, dim: str = "draw") -> Any:
    r"""Continuous ranked probability score of each case, from draws of its forecast.

    Parameters
    ----------
    observed
        What came, any dims.
    draws
        Draws of the forecast: last axis of a numpy array, or dim `dim` of a DataArray.
    fair
        True estimates the score of the distribution the draws come from, whatever their number
        (for comparing forecasts with unlike numbers of draws). False scores the draws themselves
        as the whole forecast, which punishes few draws.
    dim
        Name of the dim of the draws in a DataArray.

    Returns
    -------
    float, numpy array or DataArray
        Score in the unit of what is forecast, on the dims of `observed`, lower is better. NaN
        where the outcome or a draw is not known.

    Raises
    ------
    ScoreError
        If fewer than two draws are to be scored fairly, or the DataArray lacks `dim`.

    Notes
    -----
    With :math:`M` draws :math:`x_i`,
    :math:`\frac1M \sum_i |x_i - y| - \frac{1}{2 D} \sum_{i,j} |x_i - x_j|`, where
    :math:`D = M(M - 1)` if fair and :math:`M^2` if not.

    References
    ----------
    Ferro C.A.T. 2014. Fair scores for ensemble forecasts. Quarterly Journal of the Royal
    Meteorological Society 140:1917-1923.
    """
    if fair and _number_of_draws(draws, dim) < 2:
        raise ScoreError(
            "a fair score needs at least two draws; give more, or score with fair=False"
        )
    # Both sort the draws instead of comparing all pairs: same values, a hundredth of the cost.
    estimator = "pwm" if fair else "qd"

    def kernel(outcome: _Array, members: _Array) -> _Array:
        import scoringrules

        cases = np.broadcast_shapes(outcome.shape, members.shape[:-1])
        return np.asarray(
            scoringrules.crps_ensemble(
                np.broadcast_to(outcome, cases),
                np.broadcast_to(members, (*cases, members.shape[-1])),
                estimator=estimator,
                backend="numpy",
            )
        )

    return apply_kernel(
        kernel,
        observed,
        draws,
        name="crps",
        attrs={"long_name": "continuous ranked probability score", "fair": int(fair)},
        core_dims=[(), (dim,)],
    )


def crps_negative_binomial(observed: Field, mean: Field, size: Field) -> Any:
    r"""Continuous ranked probability score of each count, from a negative binomial forecast.

    Parameters
    ----------
    observed
        Counts that came, whole numbers, any dims.
    mean, size
        Mean and size of the forecast (variance ``mean + mean**2 / size``), broadcast.

    Returns
    -------
    float, numpy array or DataArray
        Score in counts, lower is better. NaN where an input is NaN.

    Raises
    ------
    NegativeBinomialError
        If an outcome is no count, or a mean or size is outside what is allowed.

    Notes
    -----
    :math:`\sum_{x \ge 0} (F(x) - 1\{x \ge y\})^2`, in the closed form of Wei & Held. Where that
    form overflows (large sizes, that is nearly Poisson, or large means) the sum itself is taken.

    References
    ----------
    Wei W., Held L. 2014. Calibration tests for count data. TEST 23:787-805.
    """
    return apply_kernel(
        _crps_negative_binomial,
        observed,
        mean,
        size,
        name="crps",
        attrs={"long_name": "continuous ranked probability score"},
    )


def _number_of_draws(draws: Field, dim: str) -> int:
    sizes = getattr(draws, "sizes", None)
    if sizes is None:
        return int(np.shape(draws)[-1]) if np.ndim(draws) else 0
    if dim not in sizes:
        raise ScoreError(f"the draws must have a dim {dim!r}, they have {list(sizes)}")
    return int(sizes[dim])


def _crps_negative_binomial(observed: _Array, mean: _Array, size: _Array) -> _Array:
    require_counts(observed)
    y, mu, k = np.broadcast_arrays(observed, mean, size)
    known = np.isfinite(y) & np.isfinite(mu) & ~np.isnan(k)
    reached = cdf(y[known], mu[known], k[known])  # refuses a mean or size that is not allowed
    score = np.full(y.shape, np.nan)
    score[known] = _closed_form(y[known], mu[known], k[known], reached)
    failed = known & ~np.isfinite(score)
    if np.any(failed):
        score[failed] = _crps_by_summation(y[failed], mu[failed], k[failed])
    return score


def _closed_form(y: _Array, mean: _Array, size: _Array, reached: _Array) -> _Array:
    """Return Wei & Held's form of flat arrays; not finite where it overflows.

    `reached` is the probability of at most `y`.
    """
    with np.errstate(all="ignore"):
        success = size / (size + mean)
        per_success = (1.0 - success) / success**2
        one_less = np.where(y > 0, betainc(size + 1.0, np.maximum(y, 1.0), success), 0.0)
        apart = success * (2.0 * one_less - 1.0) + hyp2f1(size + 1.0, 0.5, 2.0, -4.0 * per_success)
        score: _Array = y * (2.0 * reached - 1.0) - size * per_success * apart
    return score


def _crps_by_summation(y: _Array, mean: _Array, size: _Array) -> _Array:
    """Sum the squared distance of the two step functions, count by count, for flat arrays."""
    last = np.maximum(y, mean + _REACH * np.sqrt(mean + mean * mean / size)) + 1.0
    score = np.empty_like(y)
    order = np.argsort(-last)
    start = 0
    while start < order.size:
        # Cases in order of reach, so that those summed together need about as many terms.
        x = np.arange(last[order[start]] + 1.0)
        part = order[start : start + max(1, _AT_A_TIME // x.size)]
        reached = cdf(x, mean[part, None], size[part, None])
        score[part] = np.sum((reached - (x >= y[part, None])) ** 2, axis=-1)
        start += part.size
    return score
