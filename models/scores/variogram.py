r"""Variogram score: whether draws hold the right dependence between weeks and between regions.

Quantile scores judge one week at a time. A total over branches or a run of high weeks depends on
what happens together, which the variogram score of order *p* sees,

.. math:: \mathrm{VS}_p = \frac{1}{|P|} \sum_{(i,j) \in P} \Big( |y_i - y_j|^p
          - \frac{1}{m} \sum_k |x_{k,i} - x_{k,j}|^p \Big)^2,

over chosen pairs *P* of the same forecast: two weeks of a region, or two regions in a week. It is
proper, and blind to a shift common to all: it stands beside the quantile scores, not for them.

References
----------
Scheuerer M. & Hamill T.M. 2015, Monthly Weather Review 143:1321-1334.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.scores.errors import ScoreError

ORDER = 0.5  # the order its authors found to tell correlations best


def variogram_score(
    observed: ArrayLike, draws: ArrayLike, pairs: NDArray[np.int64], *, order: float = ORDER
) -> float:
    """Score the dependence of one multivariate forecast.

    Parameters
    ----------
    observed
        What came, shape ``(case,)``; NaN where not known.
    draws
        Draws of the same cases, shape ``(draw, case)``.
    pairs
        Which two cases each pair compares, shape ``(pair, 2)``.
    order
        Power of the differences.

    Returns
    -------
    float
        Mean over the pairs known on both sides; NaN without any.

    Raises
    ------
    ScoreError
        If the shapes do not belong together.
    """
    y, x = np.asarray(observed, dtype=float), np.asarray(draws, dtype=float)
    if y.ndim != 1 or x.ndim != 2 or x.shape[1] != len(y) or pairs.ndim != 2:
        raise ScoreError(
            "a variogram score takes cases (case,), draws (draw, case) and pairs (pair, 2); got "
            f"{y.shape}, {x.shape} and {pairs.shape}"
        )
    first, second = pairs[:, 0], pairs[:, 1]
    seen = np.abs(y[first] - y[second]) ** order
    expected = (np.abs(x[:, first] - x[:, second]) ** order).mean(axis=0)
    loss = (seen - expected) ** 2
    known = np.isfinite(loss)
    return float(loss[known].mean()) if known.any() else float("nan")


def week_pairs(n_regions: int, n_weeks: int, *, furthest: int = 4) -> NDArray[np.int64]:
    """Return pairs of weeks of the same region, at most so many weeks apart.

    Cases are numbered region by region, week by week.
    """
    return np.array(
        [
            (r * n_weeks + w, r * n_weeks + w + apart)
            for r in range(n_regions)
            for apart in range(1, furthest + 1)
            for w in range(n_weeks - apart)
        ],
        dtype=np.int64,
    ).reshape(-1, 2)


def region_pairs(n_regions: int, n_weeks: int) -> NDArray[np.int64]:
    """Return pairs of regions in the same week, cases numbered as in `week_pairs`."""
    return np.array(
        [
            (a * n_weeks + w, b * n_weeks + w)
            for a in range(n_regions)
            for b in range(a + 1, n_regions)
            for w in range(n_weeks)
        ],
        dtype=np.int64,
    ).reshape(-1, 2)
