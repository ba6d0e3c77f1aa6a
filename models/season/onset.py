r"""Onset of flowering: an estimator fitted to observed dates of several stations together.

What the weather of a season says of its date is told by many parameter sets of several families of
development and by plain windows of warmth (:mod:`models.season.onset_predictors`); a regression
with station offsets that drift (:mod:`models.season.station_regression`) weighs them. A region
without dates of its own takes the offset that its neighbours suggest, and a wider spread.

One set-up serves all species; its constants, and the evidence for them, stand in ``season.toml``;
what it reached on seasons that played no part in choosing it stands in ``models/RECORD.md``.

Validity: first flowering of plants that flower from late winter to early summer, or from late
summer on (short-day weeds, told by their dates), in climates like those fitted. Known failures:
winters much warmer than any in training; a change of observer or of the observed tree looks like an
offset, and is followed only as its dates come in.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.allergens import Allergen
from models.parameters import load_table
from models.season.families import ParameterSets, SeasonDays
from models.season.family_fit import fit_sets
from models.season.flowering_dates import (
    Observed,
    OnsetError,
    observed_days,
    require_one_kind,
)
from models.season.onset_predictors import OnsetPredictors
from models.season.season_weather import (
    SeasonWeather,
    first_day_of_year,
    is_late,
    onset_first_day,
    season_days,
    season_weather,
    without_gaps,
)
from models.season.station_regression import Rows, StationRegression

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]

MOST_UNMET = 0.5  # flowering is taken not to come where more than this share of sets says so


class FloweringOnset:
    """Onset of flowering of one species, pooled over regions.

    Attributes
    ----------
    predictors_ : OnsetPredictors
        Fitted parameter sets and windows.
    regression_ : StationRegression
        What weighs them, with the stations' offsets.
    first_day_ : str
        Day 0 of the plant's seasons, ``MM-DD`` of the northern hemisphere.
    regions_ : list of str
        Regions of the training weather, in the order of the regression's station numbers.
    offset_ : xarray.DataArray
        Latest shrunken offset of each region, positive where flowering is later than the weather
        says, dim ``region`` [d].
    residual_sd_ : float
        Root mean square error of dates of years that were left out in turn [d].
    n_observations_ : int
        Dates used: weather known up to the date, hardly any day missing.

    Notes
    -----
    See the module for the model. Leaving a year out is exact for the regression; the sets' own
    requirements, one number from all years each, are not refitted.
    """

    def fit(self, weather: xr.Dataset, flowering: pd.DataFrame) -> FloweringOnset:
        """Fit to the flowering dates of one species.

        Parameters
        ----------
        weather
            ``tasmin`` and ``tasmax`` [degC], dims ``(region, time)``, with ``latitude``, and
            ``longitude`` where neighbours shall be known.
        flowering
            Columns ``region`` and ``date``; at most one species and one stage.

        Returns
        -------
        FloweringOnset
            Itself.

        Raises
        ------
        OnsetError
            If the dates are of several species or stages, or too few can be used.
        """
        require_one_kind(flowering)
        self.first_day_ = _first_day(weather, flowering)
        seasons = season_weather(weather, first_day=self.first_day_)
        self.regions_ = [str(name) for name in np.atleast_1d(weather["region"].values)]
        seen = observed_days(seasons, self.regions_, flowering)
        days = _seen_days(seasons, seen)
        try:
            sets = fit_sets(days, seen.day, late=is_late(self.first_day_)).sets
        except ValueError as error:
            raise OnsetError(
                f"no heat sum of any family fits the {len(seen)} flowering dates ({error}): check "
                "that they are of a plant that flowers between late winter and early summer"
            ) from error
        self.predictors_ = OnsetPredictors(sets, int(seen.day.mean()))
        self._regress(seasons, seen, days)
        return self

    def updated(self, weather: xr.Dataset, flowering: pd.DataFrame) -> FloweringOnset:
        """Return the model with the same parameter sets, learnt anew from dates.

        A hundredth of the work of a fit: what one more year of dates says of sets is little, what
        it says of the stations' offsets is not.

        Parameters
        ----------
        weather, flowering
            As for `fit`, of the same regions in the same order.

        Raises
        ------
        OnsetError
            As for `fit`, and where the regions are others.
        """
        require_one_kind(flowering)
        model = FloweringOnset()
        model.first_day_, model.predictors_ = self.first_day_, self.predictors_
        model.regions_ = [str(name) for name in np.atleast_1d(weather["region"].values)]
        if model.regions_ != self.regions_:
            raise OnsetError(
                f"an onset model is updated with weather of its own {len(self.regions_)} regions, "
                f"in their order; the weather holds {', '.join(model.regions_)}: fit it anew"
            )
        seasons = season_weather(weather, first_day=self.first_day_)
        seen = observed_days(seasons, model.regions_, flowering)
        model._regress(seasons, seen, _seen_days(seasons, seen))
        return model

    def _regress(self, seasons: SeasonWeather, seen: Observed, days: SeasonDays) -> None:
        latitude = seasons.latitude[seen.region]
        rows = Rows(
            self.predictors_.of(days, latitude)[0],
            seen.region,
            latitude,
            seasons.longitude[seen.region],
            seasons.years[seen.season].astype(float),
        )
        self.regression_ = StationRegression(self.predictors_.shares).fit(rows, seen.day)
        self._place(seasons.latitude, seasons.longitude)

    def _place(self, latitude: _Array, longitude: _Array) -> None:
        self.latitude_, self.longitude_ = latitude, longitude
        self.residual_sd_ = float(np.sqrt(np.mean(self.regression_.left_out_**2)))
        self.n_observations_ = len(self.regression_.left_out_)
        self.offset_ = xr.DataArray(
            self.regression_.offsets(np.arange(len(self.regions_)), latitude, longitude),
            dims="region",
            coords={"region": self.regions_},
            attrs={"units": "d"},
        )

    def predict(self, weather: xr.Dataset) -> xr.DataArray:
        """Predict the day of flowering of each place and season.

        Parameters
        ----------
        weather
            As for `fit`; other leading dims, such as ``trace``, are kept.

        Returns
        -------
        xarray.DataArray
            Day counted from 31 December before ``year``, so 1 January is 1; noon is the whole
            number. Dims (*leading, year) [d]. NaN where flowering never comes, where the weather
            ends before it (or before the mean date), or where too many days are missing.
        """
        return self._predicted(weather, spread=False)

    def predict_sd(self, weather: xr.Dataset) -> xr.DataArray:
        """Return the standard deviation of a date about `predict`, same dims [d].

        Wider for a region without dates of its own, and for weather unlike that of training.
        """
        return self._predicted(weather, spread=True)

    def _predicted(self, weather: xr.Dataset, *, spread: bool) -> xr.DataArray:
        seasons = season_weather(weather, first_day=self.first_day_)
        length = seasons.tasmin.shape[-1]
        low, high = (np.nan_to_num(a).reshape(-1, length) for a in (seasons.tasmin, seasons.tasmax))
        rows, met = self.rows(seasons, low, high, self._stations(weather, seasons))
        day = np.where(met > MOST_UNMET, self.regression_.predict(rows), np.nan)
        known = self._known_only(day.reshape(seasons.tasmin.shape[:-1]), seasons)
        coords = {name: weather[name] for name in (*seasons.dims, "latitude") if name in weather}
        onset = xr.DataArray(known, dims=(*seasons.dims, "year"), coords=coords)
        onset = onset.assign_coords(year=seasons.years)
        if spread:
            sd = self.regression_.predict_sd(rows).reshape(known.shape)
            said = {"units": "d", "long_name": "standard deviation of the day of flowering"}
            return onset.copy(data=np.where(np.isnan(known), np.nan, sd)).assign_attrs(said)
        onset = (onset + first_day_of_year(seasons)).rename("onset")
        onset = onset.transpose(*seasons.dims, "year")
        onset.attrs = {"units": "d", "long_name": "day of the year of flowering"}
        return onset

    def rows(
        self, seasons: SeasonWeather, low: _Array, high: _Array, station: _Whole
    ) -> tuple[Rows, _Array]:
        """Return the predictors of every place and season, and the share of sets that flower.

        Parameters
        ----------
        seasons
            Places and years.
        low, high
            Their extremes without missing values, dims (place and season, day) [degC].
        station
            Number of each place's station, negative where the model has no dates of it.
        """
        n_years = len(seasons.years)
        number: _Whole = np.repeat(station.ravel(), n_years)
        latitude: _Array = np.repeat(seasons.latitude.ravel(), n_years)
        longitude: _Array = np.repeat(seasons.longitude.ravel(), n_years)
        days = season_days(low, high, latitude, first_day=self.first_day_)
        found, met = self.predictors_.of(days, latitude)
        year = np.tile(seasons.years.astype(float), station.size)
        return Rows(found, number, latitude, longitude, year), met

    def _stations(self, weather: xr.Dataset, seasons: SeasonWeather) -> _Whole:
        shape = seasons.latitude.shape
        if "region" not in seasons.dims:
            return np.full(shape, -1)
        known = {name: number for number, name in enumerate(self.regions_)}
        number = np.array([known.get(str(r), -1) for r in weather["region"].values])
        along = [1] * len(shape)
        along[seasons.dims.index("region")] = len(number)
        return np.broadcast_to(number.reshape(along), shape)

    def _known_only(self, day: _Array, seasons: SeasonWeather) -> _Array:
        """Return NaN where a day that the date rests on is not known."""
        known = seasons.known_days
        # Noon is the whole number, so a date belongs to the day that it rounds to.
        last = np.floor(np.nan_to_num(day, nan=0.0) + 0.5)
        last = np.clip(last, 0, seasons.tasmin.shape[-1] - 1).astype(int)
        needed = np.maximum(last + 1, self.predictors_.end)
        missing = np.take_along_axis(seasons.missing, last[..., None], axis=-1)[..., 0]
        allowed = load_table("models.season", "season.toml").number("onset.missing_share")
        held = (needed <= known) & (missing <= allowed * (last + 1))
        return np.where(held, day, np.nan)

    def to_dataset(self) -> xr.Dataset:
        """Return everything that the model rests on as one dataset."""
        stored = self.regression_.to_dict()
        variables = {name: (("row",), a) for name, a in stored.items() if a.ndim == 1}
        variables["shares"] = (("predictor",), stored["shares"])
        return xr.Dataset(
            {
                **variables,
                "predictors": (("row", "predictor"), stored["predictors"]),
                "sets": (("set", "field"), self.predictors_.sets.values),
                "region_latitude": (("region",), self.latitude_),
                "region_longitude": (("region",), self.longitude_),
            },
            coords={"region": self.regions_},
            attrs={"end": self.predictors_.end, "first_day": self.first_day_},
        )

    @classmethod
    def from_dataset(cls, stored: xr.Dataset) -> FloweringOnset:
        """Make the model from what `to_dataset` returned."""
        model = cls()
        model.first_day_ = str(stored.attrs["first_day"])
        model.regions_ = [str(r) for r in stored["region"].values]
        model.predictors_ = OnsetPredictors(
            ParameterSets(stored["sets"].values), int(stored.attrs["end"])
        )
        names = ("shares", "predictors", "station", "latitude", "longitude", "year", "day")
        model.regression_ = StationRegression.from_dict({n: stored[n].values for n in names})
        model._place(stored["region_latitude"].values, stored["region_longitude"].values)
        return model


def _seen_days(seasons: SeasonWeather, seen: Observed) -> SeasonDays:
    """Return what drove development in the season of each date."""
    low, high = without_gaps(
        seasons.tasmin[seen.region, seen.season], seasons.tasmax[seen.region, seen.season]
    )
    return season_days(low, high, seasons.latitude[seen.region], first_day=seasons.first_day)


def _first_day(weather: xr.Dataset, flowering: pd.DataFrame) -> str:
    if not len(flowering):
        raise OnsetError("an onset model needs flowering dates, none were given: import some")
    southern = np.median(np.atleast_1d(weather["latitude"].values)) < 0
    return onset_first_day(flowering["date"], southern=bool(southern))


def indicator_shift(
    onsets: Mapping[str, FloweringOnset], allergen: Allergen, regions: list[str]
) -> xr.DataArray:
    """Return how much later than modelled an allergen's season is taken to be, by region.

    Parameters
    ----------
    onsets
        Fitted onset models by species.
    allergen
        Its ``indicator`` names the species whose regional offset it borrows.
    regions
        Regions asked for.

    Returns
    -------
    xarray.DataArray
        Days to hand to ``season_rate`` as `shift_days`, dim ``region`` [d]. Zero for an allergen
        without indicator, an indicator that was not fitted, and a region that the model does not
        know.

    Notes
    -----
    The allergen's parameter ``indicator_share`` times the species' shrunken offset: plants of the
    same place share microclimate and soil, but not their sort.
    """
    onset = onsets.get(allergen.indicator) if allergen.indicator else None
    if onset is None:
        shift = xr.DataArray(np.zeros(len(regions)), dims="region", coords={"region": regions})
    else:
        share = allergen.number("indicator_share")
        shift = share * onset.offset_.reindex(region=regions, fill_value=0.0)
    return shift.rename("indicator_shift").assign_attrs(units="d")
