"""Scores of forecasts given as quantiles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.fields import Field, apply_kernel
from models.scores.errors import ScoreError

_Array = NDArray[np.float64]

QUANTILE_LEVELS: tuple[float, ...] = (
    0.01, 0.025, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45, 0.50,
    0.55, 0.60, 0.65, 0.70, 0.75, 0.80, 0.85, 0.90, 0.95, 0.975, 0.99,
)  # fmt: skip
"""The 23 levels of the open forecast hubs: the median and eleven central intervals."""

# Levels and quantiles may carry rounding noise of a sum or of a blend, not more.
_TOLERANCE = 1e-9


class WeightedIntervalScore(NamedTuple):
    """The score of each case and the three parts that add up to it, lower is better.

    Attributes
    ----------
    total
        Weighted interval score, in the unit of what is forecast.
    dispersion
        Part for the width of the intervals.
    overprediction
        Part for outcomes below the intervals: the forecast was too high.
    underprediction
        Part for outcomes above the intervals: the forecast was too low.
    """

    total: Any
    dispersion: Any
    overprediction: Any
    underprediction: Any


def weighted_interval_score(
    observed: Field,
    quantiles: Field,
    levels: Sequence[float] = QUANTILE_LEVELS,
    *,
    dim: str = "quantile",
) -> WeightedIntervalScore:
    r"""Weighted interval score of each case.

    It reads like an absolute error, in visits: the distance of the outcome from the forecast, with
    a forecast that admits its uncertainty forgiven more when it misses and charged for its width.

    Parameters
    ----------
    observed
        What came, any dims.
    quantiles
        Forecast quantiles, not decreasing along `dim`: the last axis of a numpy array, or that dim
        of a DataArray.
    levels
        Probability levels of the quantiles: the median, and for each level below it the one as far
        above.
    dim
        Name of the dim of the quantiles in a DataArray.

    Returns
    -------
    WeightedIntervalScore
        Each part on the dims of `observed`. NaN where the outcome or a quantile is not known.

    Raises
    ------
    ScoreError
        If the levels are not symmetric around a median, are not those of the quantiles, or the
        quantiles decrease.

    Notes
    -----
    With median :math:`m`, :math:`K` central intervals :math:`[l_k, u_k]` of probability
    :math:`1 - \alpha_k`, and :math:`w_0 = 1/2`, :math:`w_k = \alpha_k/2`,

    .. math:: W = \frac{1}{K + 1/2} \left( w_0 |y - m| + \sum_k w_k \left[ (u_k - l_k)
       + \frac{2}{\alpha_k} (l_k - y)^+ + \frac{2}{\alpha_k} (y - u_k)^+ \right] \right)

    which is the mean over the levels of twice the quantile score. The distance from the median
    belongs to over- or underprediction.

    References
    ----------
    Bracher J., Ray E.L., Gneiting T., Reich N.G. 2021. Evaluating epidemic forecasts in an interval
    format. PLoS Computational Biology 17:e1008618.
    """
    below = _lower_half(levels)
    _require_same_levels(quantiles, levels, dim)

    def kernel(outcome: _Array, forecast: _Array) -> tuple[_Array, ...]:
        _require_ordered(forecast)
        return _parts(*_broadcast_cases(outcome, forecast), below)

    parts = apply_kernel(
        kernel,
        observed,
        quantiles,
        name="weighted_interval_score",
        attrs={"long_name": "weighted interval score"},
        core_dims=[(), (dim,)],
        output_core_dims=((), (), (), ()),
    )
    return WeightedIntervalScore(*parts)


def interval_coverage(
    observed: Field,
    quantiles: Field,
    levels: Sequence[float] = QUANTILE_LEVELS,
    *,
    central: Sequence[float] = (0.5, 0.9),
    dim: str = "quantile",
) -> Any:
    """Whether each outcome fell within central intervals of its forecast.

    Parameters
    ----------
    observed
        What came, any dims.
    quantiles
        Forecast quantiles: last axis of a numpy array, or dim `dim` of a DataArray.
    levels
        Probability levels of the quantiles.
    central
        Probabilities of the central intervals; both ends of each must be among the levels.
    dim
        Name of the dim of the quantiles in a DataArray.

    Returns
    -------
    numpy array or DataArray
        1 within (ends included), 0 outside, NaN not known, on the dims of `observed` and a last
        dim ``central``. Its mean over cases is the coverage, to be held against `central`.

    Raises
    ------
    ScoreError
        If an interval has no ends among the levels, or the levels are not those of the quantiles.
    """
    _require_same_levels(quantiles, levels, dim)
    lower = [_position(levels, (1.0 - share) / 2.0, share) for share in central]
    upper = [_position(levels, (1.0 + share) / 2.0, share) for share in central]

    def kernel(outcome: _Array, forecast: _Array) -> _Array:
        y = outcome[..., None]
        low, high = forecast[..., lower], forecast[..., upper]
        within = ((y >= low) & (y <= high)).astype(np.float64)
        return np.where(np.isnan(y) | np.isnan(low) | np.isnan(high), np.nan, within)

    inside = apply_kernel(
        kernel,
        observed,
        quantiles,
        name="within_interval",
        attrs={"units": "1", "long_name": "outcome within the central interval"},
        core_dims=[(), (dim,)],
        output_core_dims=(("central",),),
    )
    return (
        inside.assign_coords(central=list(central)) if isinstance(inside, xr.DataArray) else inside
    )


def _parts(y: _Array, forecast: _Array, below: _Array) -> tuple[_Array, ...]:
    k = len(below)
    lower, median, upper = forecast[..., :k], forecast[..., k], forecast[..., :k:-1]
    # Not the library's function: with numpy alone scoringrules 0.10.0 adds the median itself
    # instead of its distance from the outcome.
    weight = k + 0.5
    spread = np.sum(below * (upper - lower), axis=-1) / weight
    beneath = np.sum(np.maximum(lower - y[..., None], 0.0), axis=-1)
    beyond = np.sum(np.maximum(y[..., None] - upper, 0.0), axis=-1)
    over = (beneath + 0.5 * np.maximum(median - y, 0.0)) / weight
    under = (beyond + 0.5 * np.maximum(y - median, 0.0)) / weight
    total = np.asarray(spread + over + under)
    # One value that is not known leaves the whole case unscored, in every part.
    known = np.where(np.isnan(total), np.nan, 0.0)
    return total, spread + known, over + known, under + known


def _broadcast_cases(outcome: _Array, forecast: _Array) -> tuple[_Array, _Array]:
    cases = np.broadcast_shapes(outcome.shape, forecast.shape[:-1])
    return (
        np.broadcast_to(outcome, cases),
        np.broadcast_to(forecast, (*cases, forecast.shape[-1])),
    )


def _lower_half(levels: Sequence[float]) -> _Array:
    """Levels below the median, once the whole is seen to be symmetric around it."""
    given = np.asarray(levels, dtype=np.float64)
    symmetric = (
        given.ndim == 1
        and given.size % 2 == 1
        and np.all(np.diff(given) > 0.0)
        and given[0] > 0.0
        and np.allclose(given + given[::-1], 1.0, rtol=0.0, atol=_TOLERANCE)
    )
    if not symmetric:
        raise ScoreError(
            "the weighted interval score needs rising levels with the median and, for each level "
            f"below it, the one as far above; got {list(levels)}"
        )
    return given[: given.size // 2]


def _require_same_levels(quantiles: Field, levels: Sequence[float], dim: str) -> None:
    if isinstance(quantiles, xr.DataArray):
        if dim not in quantiles.dims:
            raise ScoreError(
                f"the quantiles must have a dim {dim!r}, they have {list(quantiles.dims)}"
            )
        n = quantiles.sizes[dim]
    else:
        n = np.shape(quantiles)[-1] if np.ndim(quantiles) else 0
    if n != len(levels):
        raise ScoreError(f"{len(levels)} levels were given for a forecast with {n} quantiles")
    if isinstance(quantiles, xr.DataArray) and dim in quantiles.coords:
        stated = quantiles.coords[dim].values
        if not np.allclose(stated, levels, rtol=0.0, atol=_TOLERANCE):
            raise ScoreError(
                f"the forecast says its quantiles are at {stated.tolist()}, it is to be scored at "
                f"{list(levels)}"
            )


def _require_ordered(forecast: _Array) -> None:
    with np.errstate(invalid="ignore"):
        fall = np.diff(forecast, axis=-1) < -_TOLERANCE * (1.0 + np.abs(forecast[..., 1:]))
    if np.any(fall):
        cases = int(np.any(fall, axis=-1).sum())
        raise ScoreError(
            f"quantiles must not decrease with their level; they do in {cases} of "
            f"{fall[..., 0].size} cases; sort or repair the forecast before it is scored"
        )


def _position(levels: Sequence[float], level: float, share: float) -> int:
    near = np.flatnonzero(np.abs(np.asarray(levels, dtype=np.float64) - level) < _TOLERANCE)
    if near.size != 1:
        raise ScoreError(
            f"the central {share:g} interval needs the level {level:g}, the forecast has "
            f"{list(levels)}"
        )
    return int(near[0])
