"""How much hangs on what cover is taken to prevent.

Pressure is what visits show, made up for cover; the share of flares that cover prevents is a prior
with a wide spread (:mod:`models.flare.cover`). So the pressure forecast is made again with a low
and a high share. Expected visits hardly move, as long as cover stays what it was: the more cover
prevents, the higher the pressure and the more of it is prevented.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from models.flare.cover import efficacy_range
from models.flare.forecaster import VisitForecaster
from models.flare.recalibration import other_years
from models.streams import DrawStreams
from models.weeks import DAYS_IN_WEEK

_DRAWS = 100
_SEED = 1


def cover_sensitivity(
    fitted: VisitForecaster, weekly: xr.Dataset, anomalies: xr.DataArray, *, n_weeks: int
) -> xr.Dataset:
    """Forecast again with a low, the central and a high efficacy of cover.

    Parameters
    ----------
    fitted
        The forecaster whose drivers and recalibration are taken.
    weekly, anomalies
        What it was fitted to, see `VisitForecaster.fit`.
    n_weeks
        Weeks ahead, from the one after the last of `weekly`.

    Returns
    -------
    xarray.Dataset
        ``pressure`` and ``visits``, means over draws and sums over the weeks relative to those at
        the central efficacy [1], and ``covered_share``, the mean of the last year; dims
        ``(efficacy, region)`` and ``(region,)``. NaN where nothing is expected, or not known.
    """
    first = weekly["week"].values[-1] + np.timedelta64(DAYS_IN_WEEK, "D")
    weeks = first + np.timedelta64(DAYS_IN_WEEK, "D") * np.arange(n_weeks)
    ahead = other_years(anomalies, weeks, n_draws=_DRAWS)
    names = [str(r) for r in weekly["region"].values]
    totals = []
    for efficacy in efficacy_range():
        one = VisitForecaster(
            fitted.drivers, fitted.recalibration, efficacy, state_sets=fitted.state_sets_
        )
        drawn = one.fit(weekly, anomalies).draw(ahead, streams=DrawStreams([_SEED], _DRAWS, names))
        both = xr.Dataset({"pressure": drawn.pressure, "visits": drawn.visits})
        totals.append(both.drop_vars("driver", errors="ignore").mean("draw").sum("week"))
    found = xr.concat(totals, dim=xr.Variable("efficacy", list(efficacy_range())))
    central = found.isel(efficacy=1, drop=True)
    last_year = weekly["covered_share"].isel(week=slice(-52, None))
    return (found / central.where(central > 0)).assign(covered_share=last_year.mean("week"))
