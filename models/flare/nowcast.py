r"""Nowcast: how many visits a week will have had, once all of them have come in.

Of a week of which a share *p* has come in, *y* visits so far, the rest is still on its way. With
the mean *m* and the size *k* that the regression (:mod:`models.flare.season_regression`) gives the
week, its own rate is gamma-distributed, and what has come in has told of it:

.. math:: y_\text{rest} \mid y \sim \mathrm{NB}\left( \text{size } k + y,\; \text{mean }
          (1 - p)\, \frac{k + y}{k / m + p} \right).

*p* is read off the reporting triangle, how much of a day's visits has come in by its age, and is
taken as known. The forecast itself does not rest on these numbers: it takes the thinned count as it
is (:func:`models.flare.forecaster.counted`).

Known failures: a week entered late as a whole (somebody was ill) reads as a quiet one.

References
----------
Lawless J.F. 1994, Canadian Journal of Statistics 22:15-31 (events that are reported late).
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy import stats

from models.flare.forecaster import VisitForecaster, counted
from models.flare.season_regression import SeasonRegression

Array = NDArray[np.float64]
LEVELS = (0.05, 0.5, 0.95)


def nowcast(forecaster: VisitForecaster, weekly: xr.Dataset, anomalies: xr.DataArray) -> xr.Dataset:
    """Foretell the whole of each week that has come in in part.

    Parameters
    ----------
    forecaster
        A fit, told of these counts.
    weekly, anomalies
        What `VisitForecaster.fit` takes.

    Returns
    -------
    xarray.Dataset
        ``flare_visits`` and ``consultations``, dims ``(level, region, week)``, levels 0.05, 0.5 and
        0.95, in the weeks of which any region's counts have come in in part; NaN in a region and
        week that is whole, or of which too little has come in. No week where all are whole. With
        them ``so_far``, flare visits that have come in, and ``reported_share``.
    """
    one = counted(weekly)
    share = weekly.get("reported_share", xr.full_like(weekly["consultations"], np.nan))
    partly = weekly["consultations"].isnull() & one.volume.notnull()
    named = {
        "flare_visits": (forecaster.pressure_.regression_, one.visits, one.offset),
        "consultations": (forecaster.volume_.regression_, one.volume, one.come_in),
    }
    found = {
        name: _whole(regression, so_far, known_part, anomalies, share.where(partly))
        for name, (regression, so_far, known_part) in named.items()
    }
    some = partly.any("region").values
    told = {"so_far": one.visits, "reported_share": share}
    return xr.Dataset(found | {k: v.where(partly) for k, v in told.items()}).isel(week=some)


def whole_count(so_far: Array, share: Array, mean: Array, *, size: float) -> Array:
    """Return quantiles of whole counts, shape ``(level, ...)``.

    Parameters
    ----------
    so_far, share, mean
        What has come in, the share it is, and the mean of the whole count; NaN where not known.
    size
        Size of the negative binomial; infinite is Poisson.
    """
    if np.isinf(size):
        rest = [stats.poisson.ppf(level, (1.0 - share) * mean) for level in LEVELS]
    else:
        left = (1.0 - share) * (size + so_far) / (size / mean + share)
        n = size + so_far
        rest = [stats.nbinom.ppf(level, n, n / (n + left)) for level in LEVELS]
    return np.asarray(so_far + np.stack(rest))


def _whole(
    regression: SeasonRegression,
    so_far: xr.DataArray,
    known_part: xr.DataArray,
    anomalies: xr.DataArray,
    share: xr.DataArray,
) -> xr.DataArray:
    design, y, known, use = regression.rows(so_far, known_part, anomalies)
    part = share.transpose("region", "week").values
    use &= np.isfinite(part)
    # the known part of a thinned count holds its share: the whole week's mean is that much larger
    mean = np.where(use, np.exp(known + design @ regression.coefficients_) / part, np.nan)
    whole = whole_count(
        np.where(use, y, np.nan), np.where(use, part, np.nan), mean, size=regression.total_size_
    )
    order = so_far.transpose("region", "week")
    return xr.DataArray(
        whole, dims=("level", *order.dims), coords={"level": list(LEVELS), **order.coords}
    )
