"""The forecaster: members fitted together, drawn together.

``fit`` takes what a practice counted each week; ``draw`` gives whole futures of two quantities
that must not be mixed:

*pressure*
    flares there would be if no dog were under cover; high weeks, dosing and alerts read this.
*visits*
    flare visits the diary will see with the plans now in force; staffing reads this. They are the
    pressure less what cover prevents, so the two belong to the same futures.

With them come the consultations of the same futures and four reference forecasts, made at the
same moment from the same data, so that skill is always said against them.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Any, NamedTuple, Self

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from models.errors import ForepawError
from models.flare.climatology import (
    climatology_pool,
    draw_climatology,
    draw_last_season,
    draw_last_value,
    draw_trend_climatology,
)
from models.flare.count_forecaster import CountForecaster
from models.flare.cover import thin, visible_share
from models.flare.parameter_sets import Sets
from models.flare.recalibration import AS_DRAWN, Recalibration, spread_again
from models.flare.season_regression import SeasonRegression
from models.parameters import load_table
from models.streams import DrawStreams
from models.weeks import week_of_year


class TooFewVisitsError(ForepawError):
    """The practice's past is too short to forecast visits from."""


@dataclass(frozen=True)
class VisitDraws:
    """Futures of the weeks ahead, each ``(draw, region, week)``.

    `demand` are the consultations that would come if no day were closed, against which pressure is
    held; None where none is closed (`models.flare.closures`).
    """

    pressure: xr.DataArray
    visits: xr.DataArray
    consultations: xr.DataArray
    members: dict[str, xr.DataArray]
    demand: xr.DataArray | None = None


class StateSets(NamedTuple):
    """Parameter sets of the state spaces of the two engines; None where they are to be found."""

    pressure: Sets | None = None
    consultations: Sets | None = None


NOT_FOUND = StateSets()


class VisitForecaster(BaseEstimator):  # type: ignore[misc]
    """Pressure and consultations, each by the counting engine.

    Parameters
    ----------
    drivers
        Weather and exposure drivers that enter the regression.
    recalibration
        By how much draws are spread about their median; as drawn unless given.
    efficacy
        Share of flares that cover prevents; the prior of `models.flare.cover` unless given.
    least_weeks
        Weeks of counts from which the engines ask all members, see `CountForecaster`.
    state_sets
        What the state spaces take as it is; found from the counts unless given.

    Attributes
    ----------
    pressure_
        Counting engine of the pressure, its known part the consultations and what cover hides.
    volume_
        Counting engine of all other consultations.
    past_
        What the references repeat, see `past_rates`.
    trained_on_
        The same of the training weeks alone, which set the thresholds.
    """

    def __init__(
        self,
        drivers: tuple[str, ...] = (),
        recalibration: Recalibration = AS_DRAWN,
        efficacy: float | None = None,
        least_weeks: float | None = None,
        state_sets: StateSets = NOT_FOUND,
    ) -> None:
        self.drivers = drivers
        self.recalibration = recalibration
        self.efficacy = efficacy
        self.least_weeks = least_weeks
        self.state_sets = state_sets

    def fit(self, weekly: xr.Dataset, anomalies: xr.DataArray) -> Self:
        """Fit to the weeks a practice has counted.

        Parameters
        ----------
        weekly
            ``flare_visits``, ``consultations`` and ``covered_share``, dims ``(region, week)``;
            Where they are given, same dims: ``full_share`` and ``open_share`` tell of full and
            closed days, ``reported_share``, ``flare_visits_so_far`` and ``consultations_so_far``
            of weeks that have not all come in (NaN where not known), ``alerted`` marks weeks after
            an alert, in which owners came or stayed away for it (bool).
        anomalies
            Drivers, dims ``(driver, region, week)``, covering the same weeks.

        Raises
        ------
        TooFewVisitsError
            If fewer than the table's minimum of years hold counts.
        """
        check_length(weekly)
        one = counted(weekly, self.efficacy)
        sets = self.state_sets
        self.pressure_ = CountForecaster(self.drivers, self.least_weeks, sets.pressure).fit(
            one.visits, one.offset, anomalies, full=one.full
        )
        self.volume_ = CountForecaster((), self.least_weeks, sets.consultations).fit(
            one.volume, one.come_in, anomalies, full=one.full
        )
        self.past_ = self.trained_on_ = self._past(weekly)
        return self

    @property
    def state_sets_(self) -> StateSets:
        """What the state spaces of the two engines follow counts with."""
        return StateSets(self.pressure_.parameter_sets_, self.volume_.parameter_sets_)

    @property
    def regression_(self) -> SeasonRegression:
        """The regression of the pressure, which holds the effects of the drivers."""
        return self.pressure_.regression_

    def _past(self, weekly: xr.Dataset) -> xr.Dataset:
        """Return `past_rates`, and what the members of the two engines repeat."""
        repeated = {
            "usual_pressure_rate": self.pressure_.usual_rate_,
            "usual_volume": self.volume_.usual_rate_,
        }
        return past_rates(weekly, self.efficacy).assign(repeated)

    def updated(self, weekly: xr.Dataset, anomalies: xr.DataArray) -> Self:
        """Return the same fit, told of newer counts; parameters are those of `fit`.

        What is learnt stays: coefficients, spreads and thresholds. What a draw starts from is that
        of these counts: the shared shocks' present state, which corrects the level for the weeks
        to come, the past weeks that the references repeat, and the cover of the last year. On the
        counts of the fit the result draws the same, to the last bit.
        """
        forecaster = copy(self)
        one = counted(weekly, self.efficacy)
        forecaster.pressure_ = self.pressure_.updated(
            one.visits, one.offset, anomalies, full=one.full
        )
        forecaster.volume_ = self.volume_.updated(one.volume, one.come_in, anomalies, full=one.full)
        forecaster.past_ = forecaster._past(weekly)
        return forecaster

    def draw(self, anomalies: xr.DataArray, *, streams: DrawStreams) -> VisitDraws:
        """Draw futures from drivers ahead, dims ``(draw, driver, region, week)``."""
        weeks = anomalies["week"]
        blank = anomalies.isel(driver=0, drop=True).transpose("draw", "region", "week")
        told = self.recalibration
        consultations = self.volume_.draw(xr.zeros_like(blank), anomalies, streams=streams).blended
        consultations = spread_again(consultations, told.consultations, streams=streams)
        volume = consultations.clip(min=1)
        drawn = self.pressure_.draw(_log(volume), anomalies, streams=streams)
        pressure = spread_again(drawn.blended, told.pressure, streams=streams)
        share = self._share_ahead(weeks.values)
        visits = pressure.copy(data=self._thin(pressure, share, streams))
        regression = drawn.members["regression"]
        rate = self.past_["visit_rate"]
        members = {
            "climatology": draw_climatology(rate, volume, streams=streams),
            "trend-climatology": draw_trend_climatology(rate, volume, streams=streams),
            "last value": draw_last_value(rate, volume, streams=streams),
            "last season": draw_last_season(rate, volume, streams=streams),
            "regression": regression.copy(data=self._thin(regression, share, streams)),
        }
        return VisitDraws(pressure, visits, consultations, members)

    def _thin(
        self, pressure: xr.DataArray, share: NDArray[np.float64], streams: DrawStreams
    ) -> NDArray[np.int64]:
        return thin(pressure.values, share, streams=streams, efficacy=self.efficacy)

    def _share_ahead(self, weeks: NDArray[np.datetime64]) -> NDArray[np.float64]:
        """Cover as it was in the same weeks of the last year: the plans now in force, roughly."""
        last_year = self.past_["covered_share"].isel(week=slice(-52, None))
        pool = climatology_pool(last_year, weeks)
        known = np.isfinite(pool)
        total = np.where(known, pool, 0.0).sum(-1)
        share: NDArray[np.float64] = np.where(
            known.any(-1), total / np.maximum(known.sum(-1), 1), np.nan
        )
        return share

    def thresholds(self, centile: float | None = None) -> xr.DataArray:
        """Return the pressure per 1,000 consultations above which a week is high, by region.

        It is that centile of the training weeks, the table's unless given; NaN without any.
        """
        return _centile(self.trained_on_["pressure_rate"], centile)

    def season_thresholds(self, centile: float | None = None) -> xr.DataArray:
        """Return the same centile of running means over weeks, which set off a flare season."""
        table = load_table("models.flare", "flare.toml")
        width = int(table.number("threshold.season_smoothing"))
        rate = self.trained_on_["pressure_rate"]
        return _centile(rate.rolling(week=width, center=True, min_periods=1).mean(), centile)

    def climatology_odds(
        self, weeks: NDArray[np.datetime64], centile: float | None = None
    ) -> xr.DataArray:
        """Return how often the same weeks of past years were high, dims ``(region, week)``."""
        high = (1000.0 * self.past_["pressure_rate"]) > self.thresholds(centile)
        known = high.where(self.past_["pressure_rate"].notnull())
        pool = climatology_pool(known, weeks)
        seen = np.isfinite(pool).sum(-1)
        odds = np.where(seen > 0, np.nansum(pool, axis=-1) / np.maximum(seen, 1), np.nan)
        return xr.DataArray(
            odds, dims=("region", "week"), coords={"region": self.past_["region"], "week": weeks}
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what a draw needs as plain values and arrays."""
        return {
            "drivers": list(self.drivers),
            "recalibration": self.recalibration._asdict(),
            "pressure": self.pressure_.to_dict(),
            "volume": self.volume_.to_dict(),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any], past: xr.Dataset) -> Self:
        """Make a fitted forecaster from what `to_dict` returned and its `past_`."""
        told = Recalibration(**stored["recalibration"])
        forecaster = cls(tuple(stored["drivers"]), told)
        pressure, volume = past["usual_pressure_rate"], past["usual_volume"]
        forecaster.pressure_ = CountForecaster.from_dict(stored["pressure"], pressure)
        forecaster.volume_ = CountForecaster.from_dict(stored["volume"], volume)
        forecaster.past_ = forecaster.trained_on_ = past
        return forecaster


def past_rates(weekly: xr.Dataset, efficacy: float | None = None) -> xr.Dataset:
    """Return what weeks were like, from the counts that `VisitForecaster.fit` takes.

    Returns
    -------
    xarray.Dataset
        ``visit_rate`` and ``pressure_rate``, flare visits per consultation as seen and as they
        would have been without cover (NaN in weeks after an alert); ``covered_share``; dims
        ``(region, week)``. NaN where not known, and in weeks without consultations.
    """
    volume = weekly["consultations"]
    rate = (weekly["flare_visits"] / volume).where(volume > 0)
    pressure = rate / visible_share(weekly["covered_share"], efficacy)
    return xr.Dataset(
        {
            "visit_rate": rate,
            "pressure_rate": _unalerted(pressure, weekly),
            "covered_share": weekly["covered_share"],
        }
    )


class Counted(NamedTuple):
    """What is counted and the known part of the log-mean of each, dims ``(region, week)``.

    Attributes
    ----------
    visits, volume
        Flare visits, and other consultations; NaN where not known, and where not learnt from.
    offset, come_in
        Known part of the visits, and of the volume.
    full
        Weeks in which at least as many would have come; None where nothing tells of any.
    """

    visits: xr.DataArray
    volume: xr.DataArray
    offset: xr.DataArray
    come_in: xr.DataArray
    full: xr.DataArray | None


def counted(weekly: xr.Dataset, efficacy: float | None = None) -> Counted:
    """Return what the engines are fitted to, from what `VisitForecaster.fit` takes.

    Of a week that has not all come in, what has is a thinned count: its mean is the share that has
    come in times the week's, and a thinned negative binomial keeps its size. So it tells the level
    of the newest week at once, with the noise of a small count. Weeks mostly closed, and those
    after an alert, are not learnt from. Where nothing tells of full or closed days, every week is
    learnt from as it was counted. `efficacy` is that of `VisitForecaster`.
    """
    table = load_table("models.flare", "flare.toml")
    share = weekly.get("reported_share", xr.full_like(weekly["consultations"], np.nan))
    partly = share >= table.number("nowcast.least_share")
    visits, volume = (_with_partial(weekly, name, partly) for name in _COUNTS)
    come_in = share.where(volume.notnull() & weekly["consultations"].isnull(), 1.0)
    if "open_share" in weekly:
        shut = weekly["open_share"] < table.number("closed.least_open")
        visits, volume = visits.where(~shut), volume.where(~shut)
    full = None
    if "full_share" in weekly and bool(weekly["full_share"].notnull().any()):
        full = weekly["full_share"] >= table.number("full.least_share")
    seen = visible_share(weekly["covered_share"], efficacy)
    offset = _log(volume.where(volume > 0)) + _log(seen)
    return Counted(_unalerted(visits, weekly), volume, offset, _log(come_in), full)


_COUNTS = ("flare_visits", "consultations")


def _with_partial(weekly: xr.Dataset, name: str, partly: xr.DataArray) -> xr.DataArray:
    """Return counts with those of weeks that have come in well enough to tell something."""
    counts, so_far = weekly[name], weekly.get(f"{name}_so_far")
    return counts if so_far is None else counts.fillna(so_far.where(partly))


def _unalerted(values: xr.DataArray, weekly: xr.Dataset) -> xr.DataArray:
    """Leave out the weeks after an alert: what it moved is no pressure of the season's."""
    return values.where(~weekly["alerted"]) if "alerted" in weekly else values


def _centile(rate: xr.DataArray, centile: float | None) -> xr.DataArray:
    """Return a centile over the weeks [1/1000]; NaN where no week of a region is known."""
    if centile is None:
        centile = load_table("models.flare", "flare.toml").number("threshold.centile")
    known = rate.notnull().any("week")
    value = rate.where(known, 0.0).quantile(centile, dim="week").drop_vars("quantile")
    return (1000.0 * value).where(known)


def _log(values: xr.DataArray) -> xr.DataArray:
    return values.copy(data=np.log(values.values))


def check_length(weekly: xr.Dataset) -> None:
    """Refuse counts of too few weeks, with a `TooFewVisitsError`."""
    minimum = load_table("models.flare", "flare.toml").number("climatology.minimum_years")
    known = weekly["flare_visits"].notnull().any("region").values
    covered = len(np.unique(week_of_year(weekly["week"].values[known])))
    years = known.sum() / 52.0
    if years < minimum or covered < 52:
        raise TooFewVisitsError(
            f"a forecast of visits needs {minimum:g} years of counts; the practice has "
            f"{int(known.sum())} weeks: exposure and season dates are given without it"
        )
