r"""Diebold-Mariano test: whether one forecast's loss is below another's beyond chance.

With loss differences *d* of *T* forecasts made *h* steps ahead,

.. math:: \mathrm{DM} = \bar d \Big/ \sqrt{\tfrac{1}{T}\Big(\gamma_0 + 2 \sum_{k=1}^{h-1}
          \gamma_k\Big)},

*gamma* the autocovariances: errors made *h* steps ahead overlap and are alike. The small-sample
correction multiplies it by

.. math:: \sqrt{\frac{T + 1 - 2h + h(h-1)/T}{T}}

and refers it to Student's t with *T - 1* degrees of freedom.

References
----------
Diebold F.X. & Mariano R.S. 1995, Journal of Business & Economic Statistics 13:253-263; Harvey D.,
Leybourne S. & Newbold P. 1997, International Journal of Forecasting 13:281-291.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from models.scores.errors import ScoreError


class DieboldMariano(NamedTuple):
    """Result of the test.

    Attributes
    ----------
    mean_difference
        Mean loss of the model less that of the reference; below zero the model is better.
    statistic
        The corrected statistic; NaN where the variance is not positive.
    p_value
        Two-sided; NaN likewise.
    cases
        Number of forecasts known for both.
    """

    mean_difference: float
    statistic: float
    p_value: float
    cases: int


def diebold_mariano(
    model: ArrayLike, reference: ArrayLike, *, steps_ahead: int = 1
) -> DieboldMariano:
    """Compare two forecasts' losses, origin by origin.

    Parameters
    ----------
    model, reference
        Losses in the order of their origins, shape ``(origin,)``; pairs with a NaN are left out.
    steps_ahead
        How many steps the forecasts overlap: the lead, in units of the time between origins.

    Raises
    ------
    ScoreError
        If the two are not of one shape, `steps_ahead` is below one, or there are too few cases for
        it.
    """
    ours, theirs = (np.asarray(loss, dtype=float) for loss in (model, reference))
    if ours.shape != theirs.shape or ours.ndim != 1:
        raise ScoreError(
            "two forecasts are compared origin by origin: their losses have shapes "
            f"{ours.shape} and {theirs.shape}"
        )
    difference = (ours - theirs)[np.isfinite(ours) & np.isfinite(theirs)]
    cases = len(difference)
    if steps_ahead < 1 or cases <= max(steps_ahead, 1):
        raise ScoreError(
            f"a comparison of forecasts {steps_ahead} steps ahead needs at least one step and more "
            f"cases than steps; there are {cases} cases"
        )
    mean = float(difference.mean())
    centred = difference - mean
    covariance = [float(centred[k:] @ centred[: cases - k]) / cases for k in range(steps_ahead)]
    variance = (covariance[0] + 2.0 * sum(covariance[1:])) / cases
    if variance <= 0.0:  # the truncated sum may fall below zero: then nothing can be said
        return DieboldMariano(mean, float("nan"), float("nan"), cases)
    h = steps_ahead
    correction = np.sqrt((cases + 1 - 2 * h + h * (h - 1) / cases) / cases)
    statistic = float(correction * mean / np.sqrt(variance))
    return DieboldMariano(
        mean, statistic, float(2.0 * stats.t.sf(abs(statistic), cases - 1)), cases
    )
