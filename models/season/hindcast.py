"""Hindcast of flowering onset: years that the model never saw, against the mean date.

The reference a practice would use without a model is the mean date of each station. The ratio of
root mean square errors says how much of its error the model leaves; its interval comes from a
paired bootstrap over whole years, because the stations of one year share their weather.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from models.scores import block_bootstrap_ratio
from models.season.onset import FloweringOnset


def onset_hindcast(
    weather: xr.Dataset,
    flowering: pd.DataFrame,
    *,
    last_training_year: int,
) -> pd.DataFrame:
    """Predict the dates after a year with models fitted to the dates up to it.

    Parameters
    ----------
    weather
        ``tasmin`` and ``tasmax`` [degC], dims ``(region, time)``, with ``latitude``.
    flowering
        Columns region, species, date; one stage.
    last_training_year
        The model and the mean dates see nothing after it.

    Returns
    -------
    pandas.DataFrame
        One row for each later date of a region with a mean date: species, region, year, and the
        observed, modelled and mean day of the year [d]. ``model`` is NaN where the model gives
        no date.
    """
    # Cut the weather too: a hindcast sees nothing of the later years.
    past_weather = weather.sel(time=slice(None, f"{last_training_year}-12-31"))
    tables = []
    for species, dates in flowering.groupby("species", sort=True):
        is_past = dates["date"].dt.year <= last_training_year
        past, later = dates[is_past], dates[~is_past]
        fitted = FloweringOnset().fit(past_weather, past)
        tables.append(_predictions(fitted.predict(weather), past, later).assign(species=species))
    columns = ["species", "region", "year", "observed", "model", "mean_date"]
    return pd.concat(tables, ignore_index=True)[columns]


def onset_hindcast_table(hindcast: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """Sum up a hindcast: errors of model and mean date, their ratio, and its 90 % interval.

    Parameters
    ----------
    hindcast
        From `onset_hindcast`. Rows without a modelled date are counted and left out.
    seed
        Seed of the bootstrap.

    Returns
    -------
    pandas.DataFrame
        Index species; columns n, without_date, rmse_model [d], rmse_mean_date [d], ratio, and the
        bounds of its interval, low and high.
    """
    rows = {}
    for species, dates in hindcast.groupby("species", sort=True):
        used = dates.dropna(subset=["model"])
        errors = {
            name: (used["observed"] - used[name]).to_numpy() for name in ("model", "mean_date")
        }
        ratio = block_bootstrap_ratio(
            errors["model"], errors["mean_date"], used["year"], seed=seed, statistic="rmse"
        )
        rows[species] = {
            "n": ratio.cases,
            "without_date": len(dates) - len(used),
            "rmse_model": float(np.sqrt(np.mean(errors["model"] ** 2))),
            "rmse_mean_date": float(np.sqrt(np.mean(errors["mean_date"] ** 2))),
            "ratio": ratio.ratio,
            "low": ratio.low,
            "high": ratio.high,
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("species")


def _predictions(onset: xr.DataArray, past: pd.DataFrame, later: pd.DataFrame) -> pd.DataFrame:
    mean_date = past["date"].dt.day_of_year.groupby(past["region"]).mean()
    later = later[later["region"].isin(mean_date.index)]
    year = later["date"].dt.year
    predicted = onset.to_series().rename("model")
    keys = pd.MultiIndex.from_arrays([later["region"], year], names=["region", "year"])
    return pd.DataFrame(
        {
            "region": later["region"].to_numpy(),
            "year": year.to_numpy(),
            "observed": later["date"].dt.day_of_year.to_numpy(float),
            "model": predicted.reindex(keys).to_numpy(),
            "mean_date": mean_date.reindex(later["region"]).to_numpy(),
        }
    )
