"""The protocol of flowering dates: fitted up to a year, the later years predicted.

Three questions, one set-up for every plant: the date with the whole weather known (hindcast), the
date at stations whose own dates are left out, and the forecast from a day of the season with what
was known on it. `test_korea_onset` asks them of Korean stations, ``judge.py`` of any two files.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
import scoringrules
import xarray as xr

from models.season import FloweringOnset, OnsetError
from models.season.in_season import MEMBERS, InSeasonOnset, OnsetAhead
from models.season.season_weather import onset_first_day, onset_season_begin

PAST_YEARS = 30  # of the climatology that forecasts are held against, and that lend weather
FOLDS = 5  # a fifth of the stations is left out at a time
_FOLD_SEED, _YEAR_SEED = 5, 20060101
_REPLICATES = 4000


def in_seasons(dates: pd.DataFrame, *, southern: bool = False) -> pd.DataFrame:
    """Return dates with their season.

    Parameters
    ----------
    dates
        Columns region, species, date.
    southern
        Whether they were observed south of the equator.

    Returns
    -------
    pandas.DataFrame
        The same with ``year`` of the season, ``begin`` (its first day), ``day`` since then [d] and
        ``doy``, counted from 31 December before the year [d].
    """
    found = []
    for _, part in dates.groupby("species", sort=False):
        first_day = onset_first_day(part["date"], southern=southern)
        years = range(part["date"].dt.year.min() - 1, part["date"].dt.year.max() + 2)
        begins = pd.DatetimeIndex(
            [onset_season_begin(year, first_day, southern=southern) for year in years]
        )
        at = begins.searchsorted(part["date"], side="right") - 1
        found.append(part.assign(year=np.array(years)[at], begin=begins[at]))
    laid = pd.concat(found, ignore_index=True)
    before = pd.to_datetime((laid["year"] - 1).astype(str) + "-12-31")
    return laid.assign(
        day=(laid["date"] - laid["begin"]).dt.days.astype(float),
        doy=(laid["date"] - before).dt.days.astype(float),
    )


@dataclass(frozen=True, eq=False)
class OnsetTrial:
    """Weather (region, time), dates as `in_seasons` gives them, and the last year to learn from.

    Hashed by identity, so that fits are kept.
    """

    weather: xr.Dataset
    dates: pd.DataFrame
    last_training: int

    def of(self, species: str) -> pd.DataFrame:
        """Return the dates of one plant."""
        return self.dates[self.dates["species"] == species]

    def until(self, year: int) -> xr.Dataset:
        """Return the weather up to the end of a year."""
        return self.weather.sel(time=slice(None, f"{year}-12-31"))

    @cache  # noqa: B019 (a trial lives as long as its run)
    def fitted(self, species: str) -> FloweringOnset:
        """Return the model of the dates up to the last year of training."""
        dates = self.of(species)
        past = dates[dates["year"] <= self.last_training]
        return FloweringOnset().fit(self.until(self.last_training), past)

    @cache  # noqa: B019
    def updated(self, species: str, last: int) -> FloweringOnset:
        """Return that model with the dates up to a later year, its parameter sets kept."""
        dates = self.of(species)
        return self.fitted(species).updated(self.until(last), dates[dates["year"] <= last])


def hindcast(trial: OnsetTrial, species: str) -> pd.DataFrame:
    """Return later dates with ``model`` and ``usual``, the mean of the station's earlier dates.

    NaN where the model gives no date, or the station has none before.
    """
    dates = trial.of(species)
    test = dates[dates["year"] > trial.last_training]
    predicted = trial.fitted(species).predict(trial.weather).to_series()
    usual = dates[dates["year"] <= trial.last_training].groupby("region")["doy"].mean()
    return test.assign(
        model=predicted.reindex(_keys(test)).to_numpy(), usual=test["region"].map(usual).to_numpy()
    )


def new_stations(trial: OnsetTrial, species: str) -> pd.DataFrame:
    """Return later dates with ``model``, ``sd`` and ``usual``, the mean date of other stations.

    All three are from the earlier dates of the other stations.
    """
    dates = trial.of(species)
    regions = np.array(sorted(set(dates["region"])))
    fold = np.random.default_rng(_FOLD_SEED).permutation(len(regions)) % FOLDS
    scored = []
    for number in range(FOLDS):
        new = dates["region"].isin(regions[fold == number])
        train = dates[~new & (dates["year"] <= trial.last_training)]
        test = dates[new & (dates["year"] > trial.last_training)]
        if test.empty:
            continue
        model = FloweringOnset().fit(trial.until(trial.last_training), train)
        weather = trial.weather.sel(region=sorted(set(test["region"])))
        day, sd = (
            found.to_series().reindex(_keys(test)).to_numpy()
            for found in (model.predict(weather), model.predict_sd(weather))
        )
        scored.append(test.assign(model=day, sd=sd, usual=train["doy"].mean()))
    return pd.concat(scored)


def in_season(trial: OnsetTrial, species: str, issue_day: int) -> pd.DataFrame:
    """Forecast every later season from one day of it, with all that was known on that day.

    Returns
    -------
    pandas.DataFrame
        A row a date still to come on the issue day: region, year, ``crps`` and that of
        ``climatology`` [d] (NaN with fewer than three past dates), ``pit``, and the error of each
        member [d]. Stations with too few years to lend weather are lacking.
    """
    dates, scored = trial.of(species), []
    forecast = InSeasonOnset(trial.fitted(species), issue_day=issue_day)
    forecast = forecast.fit(trial.until(trial.last_training))
    for year in sorted(set(dates.loc[dates["year"] > trial.last_training, "year"])):
        seen = dates[dates["year"] == year].sort_values("region")
        weather = trial.weather.sel(
            region=seen["region"].tolist(),
            time=slice(f"{year - PAST_YEARS - 2}-10-01", f"{year}-12-31"),
        )
        ahead = forecast.predict(weather, year, not_before=issue_day)
        seen = seen.iloc[ahead.region]  # of others too few years are held to lend weather
        day = seen["day"].to_numpy()
        if (day >= issue_day).any():
            past = dates[(dates["year"] < year) & (dates["year"] >= year - PAST_YEARS)]
            scored.append(_scored(ahead, past, seen, day >= issue_day))
        forecast = forecast.updated(trial.updated(species, year), ahead, day)
    if not scored:
        raise OnsetError(
            f"no date of {species} after {trial.last_training} lies on or after day {issue_day} of "
            "its season: nothing is left to forecast from there, name an earlier day"
        )
    return pd.concat(scored)


def _scored(
    ahead: OnsetAhead, past: pd.DataFrame, seen: pd.DataFrame, to_come: np.ndarray
) -> pd.DataFrame:
    """Score those of a year's dates that were to come; `ahead` is of all of them."""
    seen = seen[to_come]
    day, members = seen["day"].to_numpy(), ahead.members[to_come]
    by_region = {region: part["day"].to_numpy() for region, part in past.groupby("region")}
    usual = [
        crps(np.array([d]), by_region[r][None])[0] if len(by_region.get(r, ())) > 2 else np.nan
        for r, d in zip(seen["region"], day, strict=True)
    ]
    errors = {name: day - ahead.by_member[i][to_come] for i, name in enumerate(MEMBERS)}
    return pd.DataFrame(
        {
            "region": seen["region"].to_numpy(),
            "year": seen["year"].to_numpy(),
            "crps": crps(day, members),
            "climatology": usual,
            "pit": (members < day[:, None]).mean(axis=1),
            **errors,
        }
    )


def crps(observed: np.ndarray, members: np.ndarray) -> np.ndarray:
    """Return the continuous ranked probability score of ensembles (not the fair estimator) [d]."""
    return np.asarray(scoringrules.crps_ensemble(observed, members, estimator="nrg"))


def held(scored: pd.DataFrame, level: float) -> float:
    """Return the share of dates within the central interval of a probability."""
    return float((np.abs(scored["pit"] - 0.5) <= level / 2).mean())


def rms(error: pd.Series[float]) -> float:
    """Return the root mean square of the errors that are known."""
    return float(np.sqrt(np.nanmean(np.asarray(error, float) ** 2)))


def year_interval(values: pd.Series[float], year: pd.Series[int]) -> tuple[float, float]:
    """Return the 5 and 95 % points of a mean when whole years are drawn again."""
    rng = np.random.default_rng(_YEAR_SEED)
    by_year = values.groupby(year).agg(["sum", "count"]).to_numpy(float)
    drawn = by_year[rng.integers(0, len(by_year), (_REPLICATES, len(by_year)))].sum(axis=1)
    low, high = np.quantile(drawn[:, 0] / drawn[:, 1], [0.05, 0.95])
    return float(low), float(high)


def rms_interval(error: pd.Series[float], year: pd.Series[int]) -> tuple[float, float]:
    """Return the same of a root mean square."""
    low, high = year_interval(error**2, year)
    return low**0.5, high**0.5


def _keys(dates: pd.DataFrame) -> pd.MultiIndex:
    return pd.MultiIndex.from_arrays([dates["region"], dates["year"]])
