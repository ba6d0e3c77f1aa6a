"""The negative binomial distribution of counts, by its mean and its size.

A thin cover of :mod:`scipy.stats`, which asks for another pair of parameters. Throughout, the
variance is ``mean + mean**2 / size``: a small size means a wide spread, an infinite one Poisson.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy import stats

from models.errors import ForepawError
from models.fields import Field, apply_kernel

_Array = NDArray[np.float64]

# From here on the variance differs from Poisson's by less than a part in a million at the counts of
# a clinic, while success probabilities still differ enough from one for double precision.
_LARGEST_SIZE = 1e7


class NegativeBinomialError(ForepawError):
    """A mean, size, count or level for which the distribution is not defined."""


def quantile(
    levels: Sequence[float] | _Array, mean: Field, size: Field, *, dim: str = "quantile"
) -> Any:
    """Smallest counts whose cumulative probability reaches the levels.

    Parameters
    ----------
    levels
        Probabilities between 0 and 1, ends excluded.
    mean, size
        Mean (0 or more) and size (above 0, may be infinite) of the counts, broadcast together.
    dim
        Name of the new dim of a DataArray result; it carries the levels as coordinate.

    Returns
    -------
    numpy array or DataArray
        Counts, the levels on a new last axis. NaN where an input is NaN.

    Raises
    ------
    NegativeBinomialError
        If a level, mean or size is outside what is allowed.
    """
    wanted = np.asarray(levels, dtype=np.float64)
    if wanted.ndim != 1 or not np.all((wanted > 0.0) & (wanted < 1.0)):
        raise NegativeBinomialError(
            f"quantile levels must be a list of numbers between 0 and 1, got {levels!r}"
        )

    def kernel(means: _Array, sizes: _Array) -> _Array:
        number, success = _scipy_parameters(means, sizes)
        return np.asarray(stats.nbinom.ppf(wanted, number[..., None], success[..., None]))

    result = apply_kernel(
        kernel,
        mean,
        size,
        name="quantiles",
        attrs={"units": "1", "long_name": "quantiles of the count"},
        core_dims=[(), ()],
        output_core_dims=((dim,),),
    )
    return result.assign_coords({dim: wanted}) if isinstance(result, xr.DataArray) else result


def cdf(counts: Field, mean: Field, size: Field) -> Any:
    """Probability of at most so many.

    Parameters
    ----------
    counts
        Counts; any number is allowed, below zero the probability is 0.
    mean, size
        Mean and size of the distribution, broadcast with the counts.

    Returns
    -------
    float, numpy array or DataArray
        Probability, 0 to 1. NaN where an input is NaN.

    Raises
    ------
    NegativeBinomialError
        If a mean or size is outside what is allowed.
    """
    return _of_counts(stats.nbinom.cdf, (counts, mean, size), "cumulative_probability")


def log_probability(counts: Field, mean: Field, size: Field) -> Any:
    """Natural logarithm of the probability of exactly so many.

    Its negative is the logarithmic score.

    Parameters
    ----------
    counts
        Whole numbers, 0 or more.
    mean, size
        Mean and size of the distribution, broadcast with the counts.

    Returns
    -------
    float, numpy array or DataArray
        Log probability, 0 or below. NaN where an input is NaN.

    Raises
    ------
    NegativeBinomialError
        If a count is not a whole number, or a mean or size is outside what is allowed.
    """

    def kernel(values: _Array, number: _Array, success: _Array) -> _Array:
        require_counts(values)
        return np.asarray(stats.nbinom.logpmf(values, number, success))

    return _of_counts(kernel, (counts, mean, size), "log_probability")


def pit_interval(observed: Field, mean: Field, size: Field) -> Any:
    """Interval that the probability integral transform of a count falls in.

    A count has no single place in its forecast: it covers the stretch of cumulative probability
    from just below it to itself. Over many well-calibrated forecasts these stretches cover 0 to 1
    evenly.

    Parameters
    ----------
    observed
        Counts that came, whole numbers, 0 or more.
    mean, size
        Mean and size of the forecast, broadcast with the counts.

    Returns
    -------
    tuple
        Lower and upper end, each on the dims of the inputs. NaN where an input is NaN.

    Raises
    ------
    NegativeBinomialError
        If a count is not a whole number, or a mean or size is outside what is allowed.

    References
    ----------
    Czado C., Gneiting T., Held L. 2009. Predictive model assessment for count data. Biometrics
    65:1254-1261.
    """

    def kernel(values: _Array, means: _Array, sizes: _Array) -> tuple[_Array, _Array]:
        require_counts(values)
        number, success = _scipy_parameters(means, sizes)
        lower = stats.nbinom.cdf(values - 1.0, number, success)
        return np.asarray(lower), np.asarray(stats.nbinom.cdf(values, number, success))

    return apply_kernel(
        kernel,
        observed,
        mean,
        size,
        name="pit",
        attrs={"units": "1", "long_name": "probability integral transform"},
        output_core_dims=((), ()),
    )


def require_counts(values: _Array) -> None:
    """Refuse values that are not whole numbers of 0 or more; NaN passes as not known.

    Parameters
    ----------
    values
        The values to look at.

    Raises
    ------
    NegativeBinomialError
        At the first value that is no count.
    """
    wrong = np.isfinite(values) & ((values < 0.0) | (values != np.floor(values)))
    if np.any(wrong):
        raise NegativeBinomialError(
            f"a count must be a whole number of 0 or more, got {float(values[wrong].flat[0]):g} "
            f"({int(wrong.sum())} such values)"
        )


def _of_counts(
    kernel: Callable[[_Array, _Array, _Array], Any],
    arguments: tuple[Field, Field, Field],
    name: str,
) -> Any:
    def converted(values: _Array, means: _Array, sizes: _Array) -> _Array:
        return np.asarray(kernel(values, *_scipy_parameters(means, sizes)))

    return apply_kernel(converted, *arguments, name=name, attrs={"units": "1"})


def _scipy_parameters(mean: _Array, size: _Array) -> tuple[_Array, _Array]:
    """Return number of successes and success probability, as scipy names them."""
    for values, wrong, allowed in (
        (mean, (mean < 0.0) | np.isinf(mean), "the mean of a count must be finite and 0 or more"),
        (size, size <= 0.0, "the size of a negative binomial must be above 0"),
    ):
        if np.any(wrong):
            raise NegativeBinomialError(f"{allowed}, got {float(values[wrong].flat[0]):g}")
    number, means = np.broadcast_arrays(np.minimum(size, _LARGEST_SIZE), mean)
    return number, number / (number + means)
