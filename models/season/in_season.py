r"""Distribution of the onset at an issue day, while the season is still to come.

From what is known up to the issue day three members say when the plant will flower:

*traces*
    the season is continued with the weather of other years, moved by the warming trend and by
    what is left of the warmth of the weeks before the issue day, which lasts
    (:mod:`models.season.season_traces`); the hindcast model's date, averaged over the traces;
*direct*
    a regression of past dates on that date alone, with station offsets: it learns how far what is
    known on this day can be trusted, and falls back to the usual date where it cannot;
*climatology with a trend*
    each station's usual date, and the common trend.

They are averaged with weights (none below zero, sum one): for the greater part fixed ones, since
the mean of members is hard to beat, for the rest those that would have served best on past seasons,
each predicted from years some way off, as a year to come is. The spread of the errors is what those
predictions had, larger where traces differ,

.. math:: \sigma^2 = s\, (a + b\, V), \quad a, b \ge 0

with :math:`V` the variance of the date between traces and :math:`s` the station's own factor
(larger without dates of its own). The shape is that of the standardised errors themselves, so that
coverage holds by construction on the seasons of training. A forecast is wider than the errors left
out, by the variance of Student's t with as many degrees of freedom as there are years, less one:
the stations of a year share its error.

Every past season is forecast as it would have been on that day, with its later weather unknown, so
the spread shrinks by itself as the season nears, and goes over into that of the hindcast once the
plant has likely flowered. Where somebody watches and has seen no flower yet, the distribution is
cut at the first day on which it may have opened; without that it is not, since no report does not
mean a closed bud. Members learn from all past seasons, those that had flowered by that day too.
(Learnt from the others only, in Selection II of ``season.toml``, scores after the cut were 0.3 to
2 % larger in six cases of six, and plants that nobody watches were told to flower from the issue
day on, weeks after they had.)

Known failures: the errors of years left out are those of years inside the record; a climate or an
observed tree that moves on after it makes later errors larger. Spells of years warmer or cooler
than the trend (Korea 1998-2005: cherry two days earlier than forecast in the mean) are not
foreseen; following the last years' errors made later ones larger in trials on seasons up to 2005.

References
----------
Wilks D.S. 2011. Statistical Methods in the Atmospheric Sciences, ch. 9 (persistence of anomalies).
Day G.N. 1985. Journal of Water Resources Planning and Management 111:157-170 (traces). Gneiting T.
et al. 2005. Monthly Weather Review 133:1098-1118 (statistical postprocessing with a spread that
grows with that of the ensemble). Wolpert D.H. 1992. Neural Networks 5:241-259 (weights from
predictions left out).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.parameters import load_table
from models.season.blending import blending_weights, cut_before, error_variance, few_years
from models.season.continued_seasons import (
    Asked,
    Continued,
    continued_seasons,
    one_hemisphere,
)
from models.season.flowering_dates import OnsetError
from models.season.onset import FloweringOnset
from models.season.season_weather import SeasonWeather, onset_season_begin, season_weather
from models.season.station_regression import Rows, StationRegression

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]

MEMBERS = ("traces", "direct", "climatology with a trend")

_LEAST_SEASONS = 12
_PAST_LAST_DATE = 30  # days of a trace past the latest date of training


@dataclass(frozen=True)
class OnsetAhead:
    """Distribution of the onset of some seasons.

    Attributes
    ----------
    region
        Position of the region of each season in the weather asked for; of seasons of training, in
        the regions of the hindcast model.
    members
        Days from the first day of the season, equally likely, rising, dims (season, level) [d].
    by_member
        What each of `MEMBERS` expects, dims (member, season) [d].
    continued
        What it rests on.
    """

    region: _Whole
    members: _Array
    by_member: _Array
    continued: Continued

    @property
    def year(self) -> _Array:
        """Year of each season."""
        return self.continued.rows.year

    @property
    def never(self) -> _Array:
        """Probability that the season does not come, by season."""
        return self.continued.never

    def quantile(self, level: float) -> _Array:
        """Return a quantile of the date of each season, given that it comes [d]."""
        return np.asarray(np.quantile(self.members, level, axis=1, method="hazen"))


class InSeasonOnset:
    """Forecast of the onset of seasons in progress, for one issue day.

    Parameters
    ----------
    onset
        Fitted hindcast model.
    issue_day
        First day that is not known, counted from the first day of the season [d].

    Attributes
    ----------
    weights_ : numpy.ndarray
        Of `MEMBERS`.
    spread_ : numpy.ndarray
        The coefficients a [1] and b [d-2] of the variance.
    shape_ : numpy.ndarray
        Standardised errors, rising.
    left_out_ : OnsetAhead
        Distribution of each season of training from the other years.
    observed_ : numpy.ndarray
        Its observed day [d].
    """

    def __init__(self, onset: FloweringOnset, *, issue_day: int) -> None:
        self.onset = onset
        self.issue_day = issue_day

    def fit(self, weather: xr.Dataset) -> InSeasonOnset:
        """Try the forecast on the seasons of training.

        Parameters
        ----------
        weather
            As the hindcast model was fitted to: all regions, all years up to now.

        Raises
        ------
        OnsetError
            If every plant of training had flowered by the issue day, too few seasons have a date,
            or too few years lend weather.
        """
        self.southern_ = one_hemisphere(weather)
        seasons = season_weather(weather, first_day=self.onset.first_day_)
        trained, observed = self.onset.regression_.rows_, self.onset.regression_.day_
        if self.issue_day > observed.max():
            raise OnsetError(
                f"on day {self.issue_day} of the season every plant of the record had flowered, "
                f"the last on day {observed.max():.0f}: nothing is left to forecast, use `predict` "
                "of the hindcast model"
            )
        self.horizon_ = min(int(observed.max()) + _PAST_LAST_DATE, seasons.tasmin.shape[-1])
        position = {int(year): index for index, year in enumerate(seasons.years)}
        names = [str(r) for r in weather["region"].values]
        # by name: the weather may hold regions in another order, or others, than were fitted
        place = np.array([names.index(r) if r in names else -1 for r in self.onset.regions_])
        held = np.isin(trained.year, seasons.years) & (place[trained.station] >= 0)
        asked = Asked(
            place[trained.station[held]],
            np.array([position[int(year)] for year in trained.year[held]], dtype=np.int64),
            trained.station[held],
        )
        continued, enough = self._continued(weather, seasons, asked, earlier_only=False)
        usable = observed[held][enough]
        if len(usable) < _LEAST_SEASONS:
            raise OnsetError(
                f"a forecast in season needs {_LEAST_SEASONS} past seasons with years to lend them "
                f"weather, found {len(usable)}: bring more dates or weather, or use climatology"
            )
        self._fit_members(continued, usable)
        return self

    def updated(self, onset: FloweringOnset, ahead: OnsetAhead, day: _Array) -> InSeasonOnset:
        """Return the forecast that knows too how a season came that it had forecast.

        Parameters
        ----------
        onset
            The hindcast model with that season's dates (`FloweringOnset.updated`): the same sets.
        ahead
            What `predict` returned for the season.
        day
            Observed day of each of its regions, counted from the first day of the season; NaN
            where none was observed [d].

        Raises
        ------
        OnsetError
            If the hindcast model has other parameter sets: predictors would not be the same.
        """
        if not np.array_equal(onset.predictors_.sets.values, self.onset.predictors_.sets.values):
            raise OnsetError(
                "a forecast in season is updated with a hindcast model of the same parameter "
                "sets, this one has others: make a new forecast and fit it"
            )
        later = InSeasonOnset(onset, issue_day=self.issue_day)
        later.southern_, later.horizon_ = self.southern_, self.horizon_
        came = np.isfinite(day)
        continued = self._past.joined(ahead.continued.chosen(came))
        later._fit_members(continued, np.append(self.observed_, day[came]))
        return later

    def predict(
        self, weather: xr.Dataset, year: int, *, not_before: float | _Array | None = None
    ) -> OnsetAhead:
        """Forecast the onset of every region in one season that has years to lend it weather.

        Parameters
        ----------
        weather
            Weather known so far, dims (region, time); of the season itself nothing is read from the
            issue day on.
        year
            Year of the season.
        not_before
            First day on which the plant may have flowered, as far as somebody watched it, counted
            from the first day of the season, for all regions or for each; NaN, or None for all,
            where nobody did [d].

        Raises
        ------
        OnsetError
            If the weather does not reach into that season, or no region has earlier years enough.
        """
        begin = onset_season_begin(year, self.onset.first_day_, southern=self.southern_)
        issue = (begin + pd.Timedelta(days=self.issue_day)).to_datetime64()
        # cut here: filling of gaps, and the warming trend, must see nothing later either
        weather = weather.sel(time=weather["time"] < issue)
        seasons = season_weather(weather, first_day=self.onset.first_day_)
        if year not in seasons.years:
            raise OnsetError(
                f"a forecast of the season {year} needs weather of its autumn; the weather's "
                f"seasons are {seasons.years[0]} to {seasons.years[-1]}"
            )
        known = {name: number for number, name in enumerate(self.onset.regions_)}
        names = [str(r) for r in weather["region"].values]
        place = np.arange(len(names))
        asked = Asked(
            place,
            np.full(len(names), int(np.searchsorted(seasons.years, year))),
            np.array([known.get(name, -1) for name in names], dtype=np.int64),
        )
        continued, enough = self._continued(weather, seasons, asked, earlier_only=True)
        if not enough.any():
            least = load_table("models.season", "season.toml").number("in_season.least_traces")
            raise OnsetError(
                f"a forecast of the season {year} needs the weather of {least:g} earlier years, "
                f"none of {', '.join(names)} has them: load earlier weather"
            )
        unseen = np.nan if not_before is None else not_before
        watched = np.broadcast_to(np.asarray(unseen, float), place.shape)[enough]
        return self._distribution(continued, self._members(continued), place[enough], watched)

    def _continued(
        self, weather: xr.Dataset, seasons: SeasonWeather, asked: Asked, *, earlier_only: bool
    ) -> tuple[Continued, NDArray[np.bool_]]:
        return continued_seasons(
            self.onset,
            weather,
            seasons,
            asked,
            issue_day=self.issue_day,
            horizon=self.horizon_,
            earlier_only=earlier_only,
        )

    def _fit_members(self, continued: Continued, observed: _Array) -> None:
        self._past, self.observed_ = continued, observed
        table = load_table("models.season", "season.toml")
        self.direct_ = StationRegression(np.array([table.number("in_season.direct")]))
        self.direct_.fit(self._traced_rows(continued.rows), self.observed_)
        trend = np.array([table.number("in_season.trend")])
        self.trend_ = StationRegression(trend)
        self.trend_.fit(_trend_rows(continued.rows), self.observed_)
        around = int(table.number("in_season.around"))
        direct_error, factor = self.direct_.left_out(around=around)
        members = np.stack(
            [
                self.onset.regression_.without_years(continued.rows, around=around),
                self.observed_ - direct_error,
                self.observed_ - self.trend_.left_out(around=around)[0],
            ]
        )
        self.weights_ = blending_weights(members, self.observed_, self.direct_.weight_)
        error = self.observed_ - self.weights_ @ members
        self.spread_ = error_variance(error**2 / factor, continued.variance)
        sd = np.sqrt(factor * (self.spread_ @ [np.ones(len(error)), continued.variance]))
        levels = int(table.number("in_season.levels"))
        at = (np.arange(levels) + 0.5) / levels
        self.shape_: _Array = np.quantile(error / sd, at)
        days = self._spread_out(members, sd)
        self.left_out_ = OnsetAhead(continued.rows.station, days, members, continued)

    def _traced_rows(self, rows: Rows) -> Rows:
        """Return the same rows with what traces expect, offsets aside, as their only predictor."""
        return rows.with_predictors((rows.predictors @ self.onset.regression_.slopes)[:, None])

    def _members(self, continued: Continued) -> _Array:
        return np.stack(
            [
                self.onset.regression_.predict(continued.rows),
                self.direct_.predict(self._traced_rows(continued.rows)),
                self.trend_.predict(_trend_rows(continued.rows)),
            ]
        )

    def _distribution(
        self, continued: Continued, members: _Array, place: _Whole, watched: _Array
    ) -> OnsetAhead:
        traced = self._traced_rows(continued.rows)
        factor = (self.direct_.predict_sd(traced) / self.direct_.noise_) ** 2
        factor *= few_years(len(np.unique(self.direct_.rows_.year)))
        sd = np.sqrt(factor * (self.spread_ @ [np.ones(len(place)), continued.variance]))
        days = cut_before(self._spread_out(members, sd), watched - 0.5)
        return OnsetAhead(place, days, members, continued)

    def _spread_out(self, members: _Array, sd: _Array) -> _Array:
        return np.asarray((self.weights_ @ members)[:, None] + sd[:, None] * self.shape_)


def _trend_rows(rows: Rows) -> Rows:
    return rows.with_predictors(rows.year[:, None].copy())
