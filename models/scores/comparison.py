"""One forecast relative to another, on the cases that both have."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, NamedTuple, get_args

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from models.fields import Field
from models.scores.errors import ScoreError

Statistic = Literal["mean", "rmse"]


class RatioInterval(NamedTuple):
    """A ratio of two forecasts' losses, with an interval from resampled blocks.

    Attributes
    ----------
    ratio
        Loss of the model over that of the reference; below 1 the model is better.
    low, high
        Ends of the interval; NaN where a single block cannot show any spread.
    blocks
        Number of blocks (years, seasons) that had cases.
    cases
        Number of cases known for both.
    """

    ratio: float
    low: float
    high: float
    blocks: int
    cases: int


def relative_score(
    model: Field, reference: Field, *, dim: str | Sequence[str] | None = None
) -> Any:
    """Mean score of a model over that of a reference, on the cases known for both.

    Parameters
    ----------
    model, reference
        Scores of single cases, on the same dims; lower is better.
    dim
        Dims of a DataArray to average over; None for all. Numpy arrays are averaged over all.

    Returns
    -------
    float or DataArray
        Ratio of the two means: below 1 the model is better. A float where nothing is left of the
        dims. NaN where no case is common or the reference has no loss at all.

    Raises
    ------
    ScoreError
        If the two do not have the same cases.
    """
    if isinstance(model, xr.DataArray) and isinstance(reference, xr.DataArray):
        ours, theirs = _aligned(model, reference)
        common = ours.notnull() & theirs.notnull()
        below = theirs.where(common).mean(dim)
        ratio = ours.where(common).mean(dim) / below.where(below != 0.0)
        return ratio if ratio.ndim else float(ratio)
    ours_flat, theirs_flat = _flat(model, reference)
    return _ratio_of_sums(ours_flat.sum(), theirs_flat.sum()) if ours_flat.size else float("nan")


def block_bootstrap_ratio(
    model: ArrayLike | xr.DataArray,
    reference: ArrayLike | xr.DataArray,
    blocks: ArrayLike | xr.DataArray,
    *,
    seed: int | np.random.SeedSequence | np.random.Generator,
    statistic: Statistic = "mean",
    level: float = 0.9,
    replicates: int = 2000,
    few_blocks: bool = False,
) -> RatioInterval:
    """Ratio of a model's loss to a reference's, with an interval that respects years.

    Weeks of one season are alike, so resampling weeks would promise too much. Whole blocks are
    drawn with replacement, both forecasts together.

    Parameters
    ----------
    model, reference
        Losses of single cases (errors, if `statistic` is ``rmse``), on the same dims.
    blocks
        Label of the block of each case (year, season), broadcast with the losses.
    seed
        Seed or generator of the resampling.
    statistic
        ``mean`` for the ratio of mean losses, ``rmse`` for that of root mean squared errors.
    level
        Probability of the interval, between 0 and 1.
    replicates
        Number of resamplings.
    few_blocks
        Widen the interval for a small number of blocks, see the notes; for verdicts that hang on a
        few seasons.

    Returns
    -------
    RatioInterval
        All NaN where no case is common; the interval alone NaN where only one block is.

    Raises
    ------
    ScoreError
        If the cases do not match, a block label is missing, or an option is outside its range.

    Notes
    -----
    Percentile interval of the ratio of sums over the drawn blocks. With few blocks (say below
    ten) it is too narrow: the spread of *n* resampled blocks is that of a mean times the root of
    ``(n - 1) / n``, and its ends are those of a normal distribution at best. With `few_blocks` both
    ends are moved away from the ratio by ``sqrt(n / (n - 1)) t / z``, *t* and *z* the quantiles of
    Student's t with ``n - 1`` degrees of freedom and of the normal (Hesterberg 2015).

    References
    ----------
    Hesterberg T.C. 2015, What teachers should know about the bootstrap, The American Statistician
    69:371-386 (narrowness bias and its mending).
    """
    _require_options(statistic, level, replicates)
    ours, theirs, labels = _common_cases(model, reference, blocks)
    if not ours.size:
        return RatioInterval(np.nan, np.nan, np.nan, 0, 0)
    power, root = (2.0, 0.5) if statistic == "rmse" else (1.0, 1.0)
    _, block = np.unique(labels, return_inverse=True)
    sums = np.stack([np.bincount(block, weights=losses**power) for losses in (ours, theirs)])
    n_blocks = sums.shape[1]
    ratio = _ratio_of_sums(*sums.sum(axis=1)) ** root
    if n_blocks < 2:
        return RatioInterval(ratio, np.nan, np.nan, n_blocks, ours.size)
    drawn = np.random.default_rng(seed).multinomial(
        n_blocks, np.full(n_blocks, 1.0 / n_blocks), size=replicates
    )
    upper, lower = sums @ drawn.T
    ratios = np.divide(upper, lower, out=np.full(replicates, np.nan), where=lower != 0.0) ** root
    low, high = np.quantile(ratios, [(1.0 - level) / 2.0, (1.0 + level) / 2.0])
    if few_blocks:
        wider = _widening(n_blocks, level)
        low, high = ratio - wider * (ratio - low), ratio + wider * (high - ratio)
    return RatioInterval(ratio, float(low), float(high), n_blocks, ours.size)


def _widening(n_blocks: int, level: float) -> float:
    """Return by how much an interval from few resampled blocks is too narrow."""
    upper = (1.0 + level) / 2.0
    by_tails = stats.t.ppf(upper, n_blocks - 1) / stats.norm.ppf(upper)
    return float(np.sqrt(n_blocks / (n_blocks - 1.0)) * by_tails)


class MeanInterval(NamedTuple):
    """A mean of cases, with an interval from resampled blocks; NaN where one block cannot tell."""

    mean: float
    low: float
    high: float
    blocks: int


def block_bootstrap_mean(
    values: ArrayLike,
    blocks: ArrayLike,
    *,
    seed: int | np.random.SeedSequence | np.random.Generator,
    level: float = 0.9,
    replicates: int = 2000,
    few_blocks: bool = False,
) -> MeanInterval:
    """Mean of cases (such as coverage) with an interval drawn from whole blocks.

    Parameters are those of `block_bootstrap_ratio`; NaN cases are left out.
    """
    value = np.asarray(values, dtype=float)
    found = block_bootstrap_ratio(
        value,
        np.where(np.isfinite(value), 1.0, np.nan),
        blocks,
        seed=seed,
        level=level,
        replicates=replicates,
        few_blocks=few_blocks,
    )
    return MeanInterval(found.ratio, found.low, found.high, found.blocks)


def _require_options(statistic: str, level: float, replicates: int) -> None:
    if statistic not in get_args(Statistic):
        raise ScoreError(
            f"the statistic must be one of {', '.join(get_args(Statistic))}, got {statistic!r}"
        )
    if not 0.0 < level < 1.0:
        raise ScoreError(f"the level of the interval must lie between 0 and 1, got {level:g}")
    if replicates < 1:
        raise ScoreError(f"at least one resampling is needed, got {replicates}")


def _common_cases(
    model: ArrayLike | xr.DataArray,
    reference: ArrayLike | xr.DataArray,
    blocks: ArrayLike | xr.DataArray,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[Any]]:
    ours, theirs = _paired(model, reference)
    labels = _labels(model, blocks, ours.shape)
    if np.any(pd.isna(labels)):
        raise ScoreError(f"{int(pd.isna(labels).sum())} cases have no block label; give each one")
    known = ~(np.isnan(ours) | np.isnan(theirs))
    return ours[known], theirs[known], labels[known]


def _labels(model: Any, blocks: Any, shape: tuple[int, ...]) -> NDArray[Any]:
    """Give every case its block, by dim name where both are labelled."""
    try:
        if isinstance(model, xr.DataArray) and isinstance(blocks, xr.DataArray):
            _, same = xr.align(model, blocks, join="exact")
            return np.asarray(same.broadcast_like(model).transpose(*model.dims))
        return np.broadcast_to(np.asarray(blocks), shape)
    except ValueError as error:
        raise ScoreError(f"the block labels do not fit the cases they are for ({error})") from error


def _flat(model: Any, reference: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ours, theirs = _paired(model, reference)
    known = ~(np.isnan(ours) | np.isnan(theirs))
    return ours[known], theirs[known]


def _paired(model: Any, reference: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if isinstance(model, xr.DataArray) and isinstance(reference, xr.DataArray):
        model, reference = _aligned(model, reference)
    ours, theirs = np.asarray(model, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    if ours.shape != theirs.shape:
        raise ScoreError(
            f"two forecasts are compared case by case: their scores have shapes {ours.shape} and "
            f"{theirs.shape}"
        )
    return ours, theirs


def _aligned(model: xr.DataArray, reference: xr.DataArray) -> tuple[xr.DataArray, xr.DataArray]:
    if set(model.dims) != set(reference.dims):
        raise ScoreError(
            f"two forecasts are compared case by case: their scores have dims {list(model.dims)} "
            f"and {list(reference.dims)}"
        )
    try:
        ours, theirs = xr.align(model, reference, join="exact")
    except ValueError as error:
        raise ScoreError(
            f"two forecasts are compared case by case, select the common cases first ({error})"
        ) from error
    return ours, theirs.transpose(*ours.dims)


def _ratio_of_sums(above: float, below: float) -> float:
    return float(above / below) if below != 0.0 else float("nan")
