"""Flowering ahead, as an issue holds it: when each plant that was fitted will flower, by region.

It is the forecast in season (`models.season.in_season`), wider where a region has no dates of its
own. A plant whose date of this season has been reported is known, and not forecast. Without a
report it may have flowered: only where the region reported the plant a year ago, and another one
this season, does silence say that it had not flowered a week before.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate.variables import rules
from forecast.cut import Known
from forecast.training import TrainedModel
from models.parameters import load_table
from models.scores import QUANTILE_LEVELS
from models.season import FloweringOnset, OnsetError, onset_ahead

_DAYS_IN_YEAR = 365
_DAY = np.timedelta64(1, "D")


def flowering_arrays(model: TrainedModel, known: Known) -> xr.Dataset:
    """Return the dates of the season that holds the origin; empty where no plant was fitted.

    Returns
    -------
    xarray.Dataset
        Dims ``(plant, region)``: ``flowering_days`` (also ``quantile``), days since 1970-01-01,
        given that it comes, which may be past, NaN out of season and where it is reported;
        ``flowering_never``, the probability that it does not come; ``flowering_seen``, the day
        reported, or NaN; ``flowering_dates``, how many dates of the region the model was fitted to.
    """
    if not model.onsets:
        return xr.Dataset()
    regions = [str(name) for name in model.exposure.listed["region"].values]
    ahead = flowering_ahead(model, known)
    parts = [
        _of_plant(known, plant, onset, regions=regions, ahead=ahead.get(plant))
        for plant, onset in sorted(model.onsets.items())
    ]
    return xr.concat(parts, dim=xr.Variable("plant", sorted(model.onsets)))


def flowering_ahead(model: TrainedModel, known: Known) -> dict[str, xr.Dataset]:
    """Forecast when each plant that was fitted flowers in the season that holds the origin.

    By plant; see `models.season.onset_ahead`. Plants out of season, or without years enough to
    lend their weather, are left out.
    """
    origin, found = np.datetime64(known.origin, "ns"), {}
    for plant, onset in model.onsets.items():
        first = _not_before(known, plant)
        try:
            ahead = onset_ahead(onset, known.weather, origin=origin, not_before=first)
        except OnsetError:
            continue  # a short record says nothing of its spread
        if ahead is not None:
            found[plant] = ahead
    return found


def _not_before(known: Known, plant: str) -> dict[str, np.datetime64]:
    """Return the first day on which a plant may have flowered, where its silence says so."""
    origin, season = pd.Timestamp(known.origin), rules().number("flowering.same_season")
    rows = known.flowering[known.flowering["stage"] == "flowering"]
    back = (origin - rows["date"]).dt.days
    reports = set(rows["region"][back <= season])
    a_year_ago = (rows["species"] == plant) & (back > season) & (back <= season + _DAYS_IN_YEAR)
    late = load_table("forecast", "cut.toml").number("flowering.report_within")
    first = (origin - pd.Timedelta(days=late)).to_datetime64()
    return dict.fromkeys(sorted(reports & set(rows["region"][a_year_ago])), first)


def _of_plant(
    known: Known,
    plant: str,
    onset: FloweringOnset,
    *,
    regions: list[str],
    ahead: xr.Dataset | None,
) -> xr.Dataset:
    fitted = dict(zip(onset.regions_, _dates_of_each(onset), strict=True))
    days = np.full((len(QUANTILE_LEVELS), len(regions)), np.nan)
    seen, never = np.full(len(regions), np.nan), np.full(len(regions), np.nan)
    if ahead is not None:
        own = ahead.reindex(region=regions)
        dates = own["date"].transpose("level", "region").values
        number = (dates - np.datetime64(0, "D")) / _DAY
        days = np.quantile(number, QUANTILE_LEVELS, axis=0, method="hazen")
        never = own["never"].values
        seen = _reported(known, plant, regions, since=pd.Timestamp(ahead.attrs["begin"]))
        days = np.where(np.isfinite(seen), np.nan, days)
        never = np.where(np.isfinite(seen), np.nan, never)
    return xr.Dataset(
        {
            "flowering_days": (("quantile", "region"), days),
            "flowering_never": ("region", never),
            "flowering_seen": ("region", seen),
            "flowering_dates": ("region", np.array([fitted.get(r, 0) for r in regions], np.int16)),
        },
        coords={"region": regions, "quantile": list(QUANTILE_LEVELS)},
    )


def _dates_of_each(onset: FloweringOnset) -> list[int]:
    counted = np.bincount(onset.regression_.rows_.station, minlength=len(onset.regions_))
    return [int(number) for number in counted]


def _reported(
    known: Known, plant: str, regions: list[str], *, since: pd.Timestamp
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the day on which each region reported this season's flowering; NaN where none did."""
    rows = known.flowering
    rows = rows[(rows["species"] == plant) & (rows["stage"] == "flowering")]
    first = rows[rows["date"] >= since].groupby("region")["date"].min().reindex(regions)
    return np.array([np.nan if pd.isna(day) else (day - pd.Timestamp(0)).days for day in first])
