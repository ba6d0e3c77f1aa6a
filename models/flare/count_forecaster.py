"""The counting engine: weekly counts of several regions, members fitted and drawn together.

It knows nothing of what is counted. `models.flare.forecaster` uses it twice, for the pressure of
flares and for all other consultations; any seasonal weekly count may be put in.

============================ ===================================================================
member                       what it adds
============================ ===================================================================
``regression``               season, slow level, drivers, shocks shared by regions; the dependence
``direct lag``               how much of a recent departure lasts, band of leads by band of leads
``smoothing``                a level that follows the weeks, errors as they were
``trend-climatology``        past weeks relative to their year, at today's level
============================ ===================================================================

The forecast is the median of their quantiles, with equal weights (`models.flare.blend`).
Trend-climatology knows nothing of the newest weeks and enters from the table's lead on. A short
past teaches how lags and levels go on from two or three winters: until there are as many weeks as
the table asks for, the regression, whose every term has a prior, is the forecast alone. Weather
and exposure enter the regression, which finds what they do; what it finds is taken as known by the
members that follow levels, in the past and in each draw, so that a driver moves the whole forecast
and not one of four members.

Chosen on the training spans of weekly surveillance series, by the geometric mean of the weighted
interval score relative to climatology. Five series: these four 0.838; with last season and a
regression of season alone as fifth and sixth 0.847. Gradient boosting (Poisson loss, its spread
repaired out of sample) moved a median of seven from 0.854 to 0.853 at ten times the time, and
weights learnt from past origins moved nothing: all were left out. Eight panels, 277 origins, plain
quantiles: trend-climatology left out one to eight weeks ahead lowered 0.687 to 0.670 in the first
four weeks and 0.756 to 0.752 in the next four; left out further on it was missed. Tried there
without gain: a common drift, drawn to zero by its own evidence, in all members (0.782 over all
leads, 0.781 without), means of the quantiles (0.785), other spreads about the median. An
endemic-epidemic member (recent rates carried on beside a season, a level and a trend whose spreads
the counts choose) in place of trend-climatology gained 1.2 % (90 % interval from blocks of about a
year: -3.0 to 0.0), most of it in the first weeks, where the three others alone gain most of the
same; on the test weeks it was better in one series of four and is not kept.

Eighteen panels (with influenza of all Germany, mortality by age, and smaller series of three to six
years), 465 origins: after 130 to 181 weeks the regression alone came to 0.92 of the median's score
(90 % interval over panels: 0.86 to 0.99), most of it where the median went badly wrong (influenza
1.79 of climatology, 1.05 alone); from 200 weeks on the median was better (0.96 of the regression's
score). Tried there without gain from 200 weeks on: a likelihood of the direct lag tempered by four
or thirteen, lags and targets taken off the regression's season, a change of the yearly level as
feature, two direct lags side by side, a regression of the last four or five years or of a looser
level beside the first; means of quantiles and of their roots.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from models.flare.blend import blend_draws
from models.flare.climatology import draw_trend_climatology
from models.flare.direct_lag import DirectLag
from models.flare.season_regression import SeasonRegression
from models.flare.smoothing import Smoothing
from models.parameters import ParameterTable, load_table
from models.streams import LARGEST_LOG_MEAN, DrawStreams

MEMBERS = (
    "regression",
    "direct lag",
    "smoothing",
    "trend-climatology",
)


@dataclass(frozen=True)
class CountDraws:
    """Futures of a count: the forecast and its members, each ``(draw, region, week)``."""

    blended: xr.DataArray
    members: dict[str, xr.DataArray]


class CountForecaster(BaseEstimator):  # type: ignore[misc]
    """Four members, the median of their quantiles; of a short past the regression alone.

    Parameters
    ----------
    drivers
        Weather and exposure drivers that enter the regression.
    least_weeks
        Weeks of counts from which all members are asked; the table's unless given.

    Attributes
    ----------
    regression_, direct_lag_, smoothing_
        Fitted members; the latter two are None where the past is too short for them.
    usual_rate_
        Counts over the known part of their mean and what the drivers did, dims ``(region, week)``:
        what trend-climatology repeats.
    """

    def __init__(self, drivers: tuple[str, ...] = (), least_weeks: float | None = None) -> None:
        self.drivers = drivers
        self.least_weeks = least_weeks

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
        self.direct_lag_: DirectLag | None = None
        self.smoothing_: Smoothing | None = None
        if is_long(counts, moved, least_weeks=self.least_weeks):
            self.direct_lag_ = DirectLag().fit(counts, moved)
            self.smoothing_ = Smoothing().fit(counts, moved)
        self.usual_rate_ = _rate(counts, moved)
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
        if self.direct_lag_ is not None and self.smoothing_ is not None:
            forecaster.direct_lag_ = self.direct_lag_.updated(counts, moved)
            forecaster.smoothing_ = self.smoothing_.updated(counts, moved)
        forecaster.usual_rate_ = _rate(counts, moved)
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
        if self.direct_lag_ is None or self.smoothing_ is None:
            return CountDraws(regression, {"regression": regression})
        effect = self.regression_.driver_effect(anomalies.sel(week=offset["week"]), coefficients)
        moved = offset.copy(data=np.clip(offset.values + effect, None, LARGEST_LOG_MEAN))
        members = {
            "regression": regression,
            "direct lag": self.direct_lag_.draw(moved, streams=streams),
            "smoothing": self.smoothing_.draw(moved, streams=streams),
            "trend-climatology": draw_trend_climatology(
                self.usual_rate_, moved.copy(data=np.exp(moved.values)), streams=streams
            ),
        }
        blended = blend_draws(self._asked(members), streams=streams)
        return CountDraws(blended, members)

    def _asked(self, members: dict[str, xr.DataArray]) -> list[xr.DataArray]:
        """Return what is blended: trend-climatology is not known (NaN) for the next weeks."""
        first = int(_table().number("blend.first_long_lead"))
        last = self.usual_rate_["week"].values[-1].astype("datetime64[D]")
        long = members["trend-climatology"]
        lead = (long["week"].values.astype("datetime64[D]") - last).astype(int) // 7
        later = long.where(xr.DataArray(lead >= first, dims="week", coords={"week": long["week"]}))
        return list((members | {"trend-climatology": later}).values())

    def to_dict(self) -> dict[str, Any]:
        """Return what a draw needs besides `usual_rate_`, as plain values and arrays."""
        return {
            "drivers": list(self.drivers),
            "regression": self.regression_.to_dict(),
            "direct_lag": None if self.direct_lag_ is None else self.direct_lag_.to_dict(),
            "smoothing": None if self.smoothing_ is None else self.smoothing_.to_dict(),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any], usual_rate: xr.DataArray) -> Self:
        """Make a fitted forecaster from what `to_dict` returned and its `usual_rate_`."""
        forecaster = cls(tuple(stored["drivers"]))
        forecaster.regression_ = SeasonRegression.from_dict(stored["regression"])
        lag, level = stored["direct_lag"], stored["smoothing"]
        forecaster.direct_lag_ = None if lag is None else DirectLag.from_dict(lag)
        forecaster.smoothing_ = None if level is None else Smoothing.from_dict(level)
        forecaster.usual_rate_ = usual_rate
        return forecaster


def _table() -> ParameterTable:
    return load_table("models.flare", "flare.toml")


def is_long(
    counts: xr.DataArray, known_part: xr.DataArray, *, least_weeks: float | None = None
) -> bool:
    """Say whether enough weeks are known, of any region, for all members to be asked.

    Counts and known part have dims ``(region, week)``; `least_weeks` is the table's unless given.
    """
    least = _table().number("blend.least_weeks") if least_weeks is None else least_weeks
    return int((counts.notnull() & known_part.notnull()).any("region").sum()) >= least


def _rate(counts: xr.DataArray, known_part: xr.DataArray) -> xr.DataArray:
    ordered = known_part.transpose("region", "week")
    exponent: NDArray[np.float64] = np.exp(ordered.values)
    return counts.transpose("region", "week") / ordered.copy(data=exponent)
