"""The counting engine: weekly counts of several regions, members fitted and drawn together.

It knows nothing of what is counted. `models.flare.forecaster` uses it twice, for the pressure of
flares and for all other consultations; any seasonal weekly count may be put in.

============================ ===================================================================
member                       what it adds
============================ ===================================================================
``regression``               season, slow level, drivers, shocks shared by regions; the dependence
``direct lag``               how much of a recent departure lasts, band of leads by band of leads
``smoothing``                a level that follows the weeks, errors as they were
``endemic-epidemic``         recent weeks' rates carried on, a season and a level beside them
============================ ===================================================================

The forecast is the median of their quantiles, with equal weights (`models.flare.blend`). Weather
and exposure enter the regression, which finds what they do; what it finds is taken as known by the
members that follow levels, in the past and in each draw, so that a driver moves the whole forecast
and not one of four members.

Chosen on the training spans of weekly surveillance series, by the geometric mean of the weighted
interval score relative to climatology. On five of them regression, direct lag, smoothing and
trend-climatology came to 0.838; with last season and a regression of season alone as fifth and
sixth to 0.847. Gradient boosting (Poisson loss, its spread repaired out of sample) moved a median
of seven from 0.854 to 0.853 at ten times the time, and weights learnt from past origins moved
nothing: all were left out. On eight panels the endemic-epidemic member in place of
trend-climatology lowered 0.781 to about 0.774 (:mod:`models.flare.endemic_epidemic`). Also tried
there, without gain: a common drift drawn to zero by its own evidence in all members (0.782), means
of the quantiles in place of their median (0.785), other spreads of the median.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import xarray as xr
from sklearn.base import BaseEstimator

from models.flare.blend import blend_draws
from models.flare.direct_lag import DirectLag
from models.flare.endemic_epidemic import EndemicEpidemic
from models.flare.season_regression import LARGEST_LOG_MEAN, SeasonRegression
from models.flare.smoothing import Smoothing
from models.streams import DrawStreams

MEMBERS = (
    "regression",
    "direct lag",
    "smoothing",
    "endemic-epidemic",
)


@dataclass(frozen=True)
class CountDraws:
    """Futures of a count: the forecast and its members, each ``(draw, region, week)``."""

    blended: xr.DataArray
    members: dict[str, xr.DataArray]


class CountForecaster(BaseEstimator):  # type: ignore[misc]
    """Four members, the median of their quantiles.

    Parameters
    ----------
    drivers
        Weather and exposure drivers that enter the regression.

    Attributes
    ----------
    regression_, direct_lag_, smoothing_, endemic_epidemic_
        Fitted members.
    """

    def __init__(self, drivers: tuple[str, ...] = ()) -> None:
        self.drivers = drivers

    def fit(
        self,
        counts: xr.DataArray,
        offset: xr.DataArray,
        anomalies: xr.DataArray,
        *,
        full: xr.DataArray | None = None,
    ) -> Self:
        """Fit to counts.

        Parameters
        ----------
        counts
            Dims ``(region, week)``; NaN where nothing was reported.
        offset
            Known part of the log-mean, same dims; NaN where not known.
        anomalies
            Drivers, dims ``(driver, region, week)``, covering the same weeks.
        full
            Weeks in which at least as many as counted would have come, same dims; None is none.
            The count regressions take them as right-censored, the other members as counted.
        """
        self.regression_ = SeasonRegression(self.drivers, level="wandering").fit(
            counts, offset, anomalies, full=full
        )
        moved = self._moved(offset, anomalies)
        self.direct_lag_ = DirectLag().fit(counts, moved)
        self.smoothing_ = Smoothing().fit(counts, moved)
        self.endemic_epidemic_ = EndemicEpidemic().fit(counts, moved)
        return self

    def updated(
        self,
        counts: xr.DataArray,
        offset: xr.DataArray,
        anomalies: xr.DataArray,
        *,
        full: xr.DataArray | None = None,
    ) -> Self:
        """Return the same fit, told of newer counts: levels and past weeks are those of them.

        Parameters are those of `fit`. On the counts of the fit the result draws the same, to the
        last bit.
        """
        forecaster = copy(self)
        forecaster.regression_ = self.regression_.updated(counts, offset, anomalies, full=full)
        moved = self._moved(offset, anomalies)
        forecaster.direct_lag_ = self.direct_lag_.updated(counts, moved)
        forecaster.smoothing_ = self.smoothing_.updated(counts, moved)
        forecaster.endemic_epidemic_ = self.endemic_epidemic_.updated(counts, moved)
        return forecaster

    def _moved(self, offset: xr.DataArray, anomalies: xr.DataArray) -> xr.DataArray:
        """Return the known part with what the drivers did in it."""
        own = anomalies.sel(week=offset["week"], region=offset["region"])
        effect = self.regression_.driver_effect(own)
        return offset.transpose("region", "week") + effect

    def draw(
        self, offset: xr.DataArray, anomalies: xr.DataArray, *, streams: DrawStreams
    ) -> CountDraws:
        """Draw futures from the known part and the drivers ahead.

        Parameters
        ----------
        offset
            Dims ``(draw, region, week)``.
        anomalies
            Dims ``(draw, driver, region, week)``, the same weeks.
        streams
            Random numbers.
        """
        offset = offset.transpose("draw", "region", "week")
        coefficients = self.regression_.coefficient_draws(streams)
        regression = self.regression_.draw(
            offset, anomalies, streams=streams, coefficients=coefficients
        )
        effect = self.regression_.driver_effect(anomalies.sel(week=offset["week"]), coefficients)
        moved = offset.copy(data=np.clip(offset.values + effect, None, LARGEST_LOG_MEAN))
        members = {
            "regression": regression,
            "direct lag": self.direct_lag_.draw(moved, streams=streams),
            "smoothing": self.smoothing_.draw(moved, streams=streams),
            "endemic-epidemic": self.endemic_epidemic_.draw(moved, streams=streams),
        }
        return CountDraws(blend_draws(list(members.values()), streams=streams), members)

    def to_dict(self) -> dict[str, Any]:
        """Return what a draw needs, as plain values and arrays."""
        return {
            "drivers": list(self.drivers),
            "regression": self.regression_.to_dict(),
            "direct_lag": self.direct_lag_.to_dict(),
            "smoothing": self.smoothing_.to_dict(),
            "endemic_epidemic": self.endemic_epidemic_.to_dict(),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Self:
        """Make a fitted forecaster from what `to_dict` returned."""
        forecaster = cls(tuple(stored["drivers"]))
        forecaster.regression_ = SeasonRegression.from_dict(stored["regression"])
        forecaster.direct_lag_ = DirectLag.from_dict(stored["direct_lag"])
        forecaster.smoothing_ = Smoothing.from_dict(stored["smoothing"])
        forecaster.endemic_epidemic_ = EndemicEpidemic.from_dict(stored["endemic_epidemic"])
        return forecaster
