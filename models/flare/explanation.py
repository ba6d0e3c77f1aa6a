r"""Explanation: what moves a week's forecast away from what is usual for it.

The regression is additive on the log scale, so its log-mean of a week ahead comes apart without
rest. Beside it stand what climatology says of the week and what the other members made of it:

.. math:: \log \frac{\bar y}{\bar v} = u + \text{season} + \text{trend} + \sum_d c_d \bar x_d
          + \text{recent weeks} + \text{remainder},

*y* the pressure and *v* the consultations forecast, *u* the log of the mean rate of the same weeks
of past years. *Season* is the smooth season's departure from *u*, *trend* how far the level of the
last weeks lies above the mean of the past, a driver's term its effect times its mean over the
draws, *recent weeks* the shared shock as it fades. The *remainder* is the only one: what the
blend, the recalibration, the rounding and the spread of the draws (the mean of an exponential lies
above the exponential of the mean) add to the regression's own. A term of 0.1 is about a tenth more
flares.

A term says what the model did with what it knew, not what caused the flares.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.flare.climatology import climatology_pool
from models.flare.forecaster import VisitDraws, VisitForecaster
from models.flare.season_regression import SeasonRegression

Array = NDArray[np.float64]
USUAL, SEASON, TREND, RECENT, REMAINDER = (
    "usual",
    "season",
    "trend",
    "recent weeks",
    "remainder",
)


def explain(forecaster: VisitForecaster, drivers: xr.DataArray, drawn: VisitDraws) -> xr.DataArray:
    """Take the pressure forecast of each week apart.

    Parameters
    ----------
    forecaster
        The fit that drew.
    drivers
        Mean over the draws of the drivers that it drew with, dims ``(driver, region, week)``.
    drawn
        What it drew.

    Returns
    -------
    xarray.DataArray
        Dims ``(term, region, week)``, terms of the log rate: ``usual``, ``season``, ``trend``, one
        a driver, ``recent weeks``, ``remainder``. They add up to the log of the mean pressure
        over the mean consultations.
    """
    weeks = drawn.pressure["week"].values
    regression = forecaster.regression_
    terms = regression_terms(regression, drivers, weeks, forecaster.past_["week"].values)
    usual = _usual(forecaster.past_["pressure_rate"], weeks)
    # a region without a past of its own is explained from the smooth season
    usual = np.where(np.isfinite(usual), usual, terms[SEASON])
    terms = {USUAL: usual} | terms | {SEASON: terms[SEASON] - usual}
    means = (d.mean("draw").transpose("region", "week").values for d in _pair(drawn))
    forecast, volume = (np.log(np.maximum(m, _LEAST)) for m in means)
    terms[REMAINDER] = forecast - volume - np.sum(list(terms.values()), axis=0)
    return xr.DataArray(
        np.stack(list(terms.values())),
        dims=("term", "region", "week"),
        coords={"term": list(terms), "region": drawn.pressure["region"].values, "week": weeks},
        attrs={"units": "1", "long_name": "terms of the log of pressure per consultation"},
    )


_LEAST = 1e-3  # mean visits a week below which the log of a mean of draws says nothing


def regression_terms(
    regression: SeasonRegression,
    drivers: xr.DataArray,
    weeks: NDArray[np.datetime64],
    past_weeks: NDArray[np.datetime64],
) -> dict[str, Array]:
    """Return the regression's log-mean of weeks ahead, term by term, each ``(region, week)``.

    They add up to its log-mean at the fitted coefficients and the mean anomalies, less the known
    part. The season holds the level, as it was on average over the past weeks.
    """
    n_fixed = len(regression.terms_) - len(regression.drivers)
    coefficients = regression.coefficients_[:n_fixed]
    is_slow = np.array([t.startswith(("level step", "trend")) for t in regression.terms_[:n_fixed]])
    slow = np.where(is_slow, coefficients, 0.0)
    design = regression.fixed_design(weeks)
    usual_level = (regression.fixed_design(past_weeks) @ slow).mean()
    found = {
        SEASON: design @ (coefficients - slow) + usual_level,
        TREND: design @ slow - usual_level,
    }
    centre = drivers.sel(week=weeks)
    for name, effect in zip(regression.drivers, regression.coefficients_[n_fixed:], strict=True):
        own = centre.sel(driver=name, drop=True).transpose("region", "week").values
        found[name] = effect * own
    # the shock is carried on from the last counted week
    lead = np.arange(1, len(weeks) + 1)
    shock = regression.shock_before(weeks[0])
    fading = shock.persistence**lead * shock.state_mean
    found[RECENT] = np.broadcast_to(fading, found[SEASON].shape)
    return found


def _usual(rate: xr.DataArray, weeks: NDArray[np.datetime64]) -> Array:
    pool = climatology_pool(rate, weeks)
    known = np.isfinite(pool)
    total = np.where(known, pool, 0.0).sum(-1)
    return np.where(
        total > 0, np.log(np.maximum(total, 1e-12) / np.maximum(known.sum(-1), 1)), np.nan
    )


def _pair(drawn: VisitDraws) -> tuple[xr.DataArray, xr.DataArray]:
    return drawn.pressure, drawn.consultations.clip(min=1)
