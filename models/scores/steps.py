r"""The step of a forecast's distribution that a count takes up, and how much of it lies where.

A count does not fall on a point of a distribution but takes up a whole step of it, from
:math:`P(Y < y)` to :math:`P(Y \le y)`. Of a calibrated forecast the share of the step inside a
central interval is on average the interval's probability, which "is y inside the interval" is not:
of small counts the closed interval always holds more.

References
----------
Czado C., Gneiting T., Held L. 2009. Predictive model assessment for count data. Biometrics
65:1254-1261.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.scores.quantiles import QUANTILE_LEVELS

_Array = NDArray[np.float64]
_HALF = 0.5  # between a count and the next


def share_inside(below: ArrayLike, upto: ArrayLike, low: float, high: float) -> _Array:
    """Return the share of each step that lies between two probabilities.

    Parameters
    ----------
    below, upto
        Ends of the steps, P(Y < y) and P(Y <= y).
    low, high
        Ends of the central interval, as probabilities.

    Returns
    -------
    numpy.ndarray
        From 0 to 1; a step without width is inside or not.
    """
    start, end = np.asarray(below, dtype=float), np.asarray(upto, dtype=float)
    step = end - start
    overlap = np.minimum(end, high) - np.maximum(start, low)
    # a step of no width (y between two draws, or outside all of them) is inside or not
    point = ((start >= low) & (start <= high)).astype(float)
    wide = step > 0
    return np.where(wide, np.clip(overlap, 0.0, None) / np.where(wide, step, 1.0), point)


def step_of_quantiles(
    observed: ArrayLike, quantiles: ArrayLike, levels: Sequence[float] = QUANTILE_LEVELS
) -> tuple[_Array, _Array]:
    """Return the steps that counts take up in forecasts of which only quantiles are kept.

    Parameters
    ----------
    observed
        Counts, shape ``(case,)``; NaN where not known.
    quantiles
        Not decreasing, shape ``(case, level)``.
    levels
        Their probability levels.

    Returns
    -------
    below, upto
        P(Y < y) and P(Y <= y), shape ``(case,)``: read half-way to the neighbouring counts, on
        straight lines between the levels; 0 and 1 beyond the outermost quantiles. NaN where the
        count or the forecast is not known.
    """
    y, known = np.asarray(observed, dtype=float), np.asarray(quantiles, dtype=float)
    at = np.asarray(levels, dtype=float)
    ends = [
        np.array(
            [np.interp(t, q, at, left=0.0, right=1.0) for t, q in zip(side, known, strict=True)]
        )
        for side in (y - _HALF, y + _HALF)
    ]
    lost = np.isnan(y) | np.isnan(known).any(axis=-1)
    below, upto = (np.where(lost, np.nan, end) for end in ends)
    return below, upto
