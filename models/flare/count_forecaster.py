"""The counting engine: weekly counts of several regions, members fitted and drawn together.

It knows nothing of what is counted. `models.flare.forecaster` uses it twice, for the pressure of
flares and for all other consultations; any seasonal weekly count may be put in.

============================ ===================================================================
member                       what it adds
============================ ===================================================================
``regression``               what weather and exposure do; the whole forecast of a short past
``state space``              level, slope, short memory and season as they have come to be, and
                             what happens together in weeks and regions
``direct lag``               how much of a recent departure lasts, band of leads by band of leads
``trend-climatology``        past weeks relative to their year, at today's level
============================ ===================================================================

The forecast is the median of the quantiles of the last three, state space with two votes
(`models.flare.blend`): near its own forecast, drawn in where both others contradict it. Draws keep
the order of state space's. Trend-climatology knows nothing of the newest weeks and enters from
the table's lead on. A short past teaches how levels go on from two or three winters: until there
are as many weeks as the table asks for, the regression, whose every term has a prior, is the
forecast alone. Weather and exposure enter the regression, which finds what they do; what it finds
is taken as known by the other members, in the past and in each draw, so that a driver moves the
whole forecast and not one member of it.

Chosen on the training spans of weekly surveillance series, by the geometric mean of the weighted
interval score relative to climatology. On fourteen panels, 290 origins after 200 weeks and more,
the median of regression, direct lag, trend-climatology and an exponential smoothing of level and
season was 0.811; with state space in place of regression and smoothing it is 0.785 (3.2 % less, 90
% interval from blocks of about a year: 2.4 to 3.9), as is state space alone. Regression and
smoothing alone were 0.846 each, the direct lag 0.828.

Totals over half a year, of all regions: 90 % intervals held 75 % in the order of the regression's
draws, 86 % in that of state space's.

Before, on five to eighteen panels, nothing moved that median: gradient boosting at ten times the
time, last season, weights learnt from past origins, a common drift, an endemic-epidemic member
(recent rates carried on beside season, level and trend), means of the quantiles or of their roots,
tempered, detrended or doubled direct lags, regressions with looser levels or of fewer years.

After 130 to 181 weeks the regression alone came to 0.92 of that median's score (eighteen panels,
90 % interval over panels 0.86 to 0.99), most of it where it went badly wrong (influenza 1.79 of
climatology, 1.05 alone); state space after two epidemic winters is worse still. From 182 weeks on
the blend with state space is 0.92 of the regression (326 origins).
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
from models.flare.known_counts import LARGEST_LOG_MEAN
from models.flare.parameter_sets import Sets
from models.flare.season_regression import SeasonRegression
from models.flare.state_space import StateSpace
from models.parameters import ParameterTable, load_table
from models.streams import DrawStreams

MEMBERS = (
    "regression",
    "state space",
    "direct lag",
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
    parameter_sets
        Of the state space, taken as they are; found from the counts unless given.

    Attributes
    ----------
    regression_, state_space_, direct_lag_
        Fitted members; the latter two are None where the past is too short for them.
    usual_rate_
        Counts over the known part of their mean and what the drivers did, dims ``(region, week)``:
        what trend-climatology repeats.
    """

    def __init__(
        self,
        drivers: tuple[str, ...] = (),
        least_weeks: float | None = None,
        parameter_sets: Sets | None = None,
    ) -> None:
        self.drivers = drivers
        self.least_weeks = least_weeks
        self.parameter_sets = parameter_sets

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
        self.state_space_: StateSpace | None = None
        self.direct_lag_: DirectLag | None = None
        if is_long(counts, moved, least_weeks=self.least_weeks):
            self.state_space_ = StateSpace(self.parameter_sets).fit(counts, moved, full=full)
            self.direct_lag_ = DirectLag().fit(counts, moved)
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
        if self.state_space_ is not None and self.direct_lag_ is not None:
            forecaster.state_space_ = self.state_space_.updated(counts, moved, full=full)
            forecaster.direct_lag_ = self.direct_lag_.updated(counts, moved)
        forecaster.usual_rate_ = _rate(counts, moved)
        return forecaster

    @property
    def parameter_sets_(self) -> Sets | None:
        """The sets that the state space follows counts with; None of a short past."""
        if self.state_space_ is None:
            return None
        return tuple(tuple(one) for one in self.state_space_.parameters_.tolist())

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
        if self.state_space_ is None or self.direct_lag_ is None:
            return CountDraws(regression, {"regression": regression})
        effect = self.regression_.driver_effect(anomalies.sel(week=offset["week"]), coefficients)
        moved = offset.copy(data=np.clip(offset.values + effect, None, LARGEST_LOG_MEAN))
        members = {
            "regression": regression,
            "state space": self.state_space_.draw(moved, streams=streams),
            "direct lag": self.direct_lag_.draw(moved, streams=streams),
            "trend-climatology": draw_trend_climatology(
                self.usual_rate_, moved.copy(data=np.exp(moved.values)), streams=streams
            ),
        }
        blended = blend_draws(self._asked(members), members["state space"], streams=streams)
        return CountDraws(blended, members)

    def _asked(self, members: dict[str, xr.DataArray]) -> list[xr.DataArray]:
        """Return what is blended: trend-climatology is not known (NaN) for the next weeks."""
        table = _table()
        first = int(table.number("blend.first_long_lead"))
        last = self.usual_rate_["week"].values[-1].astype("datetime64[D]")
        long = members["trend-climatology"]
        lead = (long["week"].values.astype("datetime64[D]") - last).astype(int) // 7
        later = long.where(xr.DataArray(lead >= first, dims="week", coords={"week": long["week"]}))
        votes = int(table.number("blend.state_space_votes"))
        return [*[members["state space"]] * votes, members["direct lag"], later]

    def to_dict(self) -> dict[str, Any]:
        """Return what a draw needs besides `usual_rate_`, as plain values and arrays."""
        return {
            "drivers": list(self.drivers),
            "regression": self.regression_.to_dict(),
            "state_space": None if self.state_space_ is None else self.state_space_.to_dict(),
            "direct_lag": None if self.direct_lag_ is None else self.direct_lag_.to_dict(),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any], usual_rate: xr.DataArray) -> Self:
        """Make a fitted forecaster from what `to_dict` returned and its `usual_rate_`."""
        forecaster = cls(tuple(stored["drivers"]))
        forecaster.regression_ = SeasonRegression.from_dict(stored["regression"])
        state, lag = stored["state_space"], stored["direct_lag"]
        forecaster.state_space_ = None if state is None else StateSpace.from_dict(state)
        forecaster.direct_lag_ = None if lag is None else DirectLag.from_dict(lag)
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
