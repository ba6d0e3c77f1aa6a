r"""False discoveries: what many tests at once may claim.

Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300: with p values in order, :math:`p_{(1)} \le
\dots \le p_{(m)}`,

.. math:: q_{(i)} = \min_{j \ge i} \; m \, p_{(j)} / j .

Claims with :math:`q \le \alpha` hold at most the share :math:`\alpha` of false ones on average, for
tests that are independent or positively dependent (Benjamini & Yekutieli 2001, Ann Stat
29:1165-1188), as neighbouring lags of one exposure are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def q_values(p_values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return q values in the order of the p values, shape ``(test,)``; NaN tests count as none."""
    p = np.asarray(p_values, dtype=float)
    q = np.full(p.shape, np.nan)
    told = np.flatnonzero(np.isfinite(p))
    if not told.size:
        return q
    order = told[np.argsort(p[told], kind="stable")]
    scaled = p[order] * told.size / np.arange(1, told.size + 1)
    q[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return q
