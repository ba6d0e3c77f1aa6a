"""When a plant flowers in the season that holds a day: the forecast in season, as asked for."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from models.season.continued_seasons import one_hemisphere
from models.season.in_season import InSeasonOnset
from models.season.onset import FloweringOnset
from models.season.season_weather import onset_season_begin

_DAY = np.timedelta64(1, "D")


def onset_ahead(
    onset: FloweringOnset,
    weather: xr.Dataset,
    *,
    origin: np.datetime64,
    not_before: Mapping[str, np.datetime64] | None = None,
) -> xr.Dataset | None:
    """Forecast when a plant flowers in the season that holds a day.

    Parameters
    ----------
    onset
        Fitted hindcast model.
    weather
        Weather known, dims (region, time), with the years that the model was fitted to. Nothing
        from `origin` on is read. Where it ends before `origin`, past seasons are known as long
        before that day too.
    origin
        First day that is not known.
    not_before
        First day on which the plant may have flowered, by region, where somebody watches it and
        has seen no flower. A region that is not named may have flowered on any day.

    Returns
    -------
    xarray.Dataset
        ``date`` (region, level): quantiles of the date, given that it comes, which may lie before
        `origin`; midnight stands for the noon of its day. ``never`` (region,): probability that it
        does not come. Attributes ``year`` and ``begin`` (its first day) of the season. A region
        with too few years to lend it weather is left out. None outside of the season, and once
        every plant of the record had flowered.

    Raises
    ------
    OnsetError
        If too few years are held, or regions lie in both hemispheres.
    """
    southern, day = one_hemisphere(weather), pd.Timestamp(origin)
    weather = weather.sel(time=weather["time"] < origin)
    unknown = pd.Timestamp(weather["time"].values[-1]) + pd.Timedelta(days=1)
    for year in (day.year, day.year + 1):
        begin = onset_season_begin(year, onset.first_day_, southern=southern)
        issue_day = (unknown - begin).days
        if issue_day < 1 or (day - begin).days > onset.regression_.day_.max():
            continue
        watched = [
            (not_before or {}).get(str(r), np.datetime64("NaT")) for r in weather["region"].values
        ]
        first = (np.array(watched, "datetime64[ns]") - begin.to_datetime64()) / _DAY
        forecast = InSeasonOnset(onset, issue_day=issue_day).fit(weather)
        ahead = forecast.predict(weather, year, not_before=first)
        dates = np.datetime64(begin, "ns") + (ahead.members * 24.0).astype("timedelta64[h]")
        level = (np.arange(ahead.members.shape[1]) + 0.5) / ahead.members.shape[1]
        return xr.Dataset(
            {"date": (("region", "level"), dates), "never": (("region",), ahead.never)},
            coords={"region": weather["region"].values[ahead.region], "level": level},
            attrs={"year": year, "begin": f"{begin:%Y-%m-%d}"},
        )
    return None
