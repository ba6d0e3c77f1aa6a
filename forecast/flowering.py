"""Flowering ahead, as an issue holds it: when each plant that was fitted will flower, by region.

It is the forecast in season (`models.season.in_season`), wider where a region has no dates of its
own. A plant whose date of this season has been reported is known, and not forecast.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from forecast.cut import Known
from forecast.training import TrainedModel, flowering_ahead
from models.scores import QUANTILE_LEVELS
from models.season import FloweringOnset

_DAY = np.timedelta64(1, "D")


def flowering_arrays(model: TrainedModel, known: Known) -> xr.Dataset:
    """Return the dates of the season that holds the origin; empty where no plant was fitted.

    Returns
    -------
    xarray.Dataset
        Dims ``(plant, region)``: ``flowering_days`` (also ``quantile``), days since 1970-01-01,
        given that it comes, NaN out of season and where it is reported; ``flowering_never``, the
        probability that it does not come; ``flowering_seen``, the day reported, or NaN;
        ``flowering_dates``, how many dates of the region the model was fitted to.
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
