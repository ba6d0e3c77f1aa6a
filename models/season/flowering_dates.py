"""Observed flowering dates laid beside the seasons whose weather is known up to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.parameters import load_table
from models.season.season_weather import SeasonWeather
from models.season.years import SeasonError

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]

_LEAST_OBSERVATIONS = 12


class OnsetError(SeasonError):
    """Flowering dates, or weather, from which no onset model can be fitted or read."""


@dataclass(frozen=True)
class Observed:
    """Usable dates: position of region and season, and the day since the season's first [d]."""

    region: _Whole
    season: _Whole
    day: _Array

    def __len__(self) -> int:
        return len(self.day)


def observed_days(seasons: SeasonWeather, regions: list[str], flowering: pd.DataFrame) -> Observed:
    """Return each date whose weather is known from the autumn before, hardly any day missing.

    Parameters
    ----------
    seasons
        Weather, leading dim region.
    regions
        Their names, in order.
    flowering
        Columns ``region`` and ``date``, of one species and stage (`require_one_kind`).

    Raises
    ------
    OnsetError
        If fewer than twelve dates, or dates of a single year, are usable.
    """
    usable = []
    allowed = load_table("models.season", "season.toml").number("onset.missing_share")
    known, place = seasons.known_days, {name: number for number, name in enumerate(regions)}
    for name, date in zip(flowering["region"], pd.to_datetime(flowering["date"]), strict=True):
        region = place.get(str(name))
        if region is None or pd.isna(date):
            continue
        for season in np.flatnonzero(abs(seasons.years - date.year) <= 1):
            south = bool(seasons.latitude[region] < 0)
            begin = seasons.begin(int(seasons.years[season]), southern=south)
            day = (date - begin).days
            if not 0 <= day < known[region, season]:
                continue
            if seasons.missing[region, season, day] <= allowed * (day + 1):
                usable.append((region, int(season), day))
    _require_enough(usable, len(flowering))
    region_at, season_at, days = np.array(usable).T
    return Observed(region_at.astype(np.int64), season_at.astype(np.int64), days.astype(float))


def _require_enough(usable: list[tuple[int, int, int]], n_dates: int) -> None:
    if len(usable) < _LEAST_OBSERVATIONS:
        raise OnsetError(
            f"an onset model needs {_LEAST_OBSERVATIONS} flowering dates with known weather from "
            f"the autumn before, {len(usable)} of {n_dates} dates have it: load earlier "
            "weather or more dates"
        )
    if len({season for _, season, _ in usable}) < 2:
        raise OnsetError(
            "an onset model needs flowering dates of at least two years, all usable ones are of "
            "one year: load more years"
        )


def require_one_kind(flowering: pd.DataFrame) -> None:
    """Raise `OnsetError` where columns are lacking or species or stages are mixed."""
    lacking = [name for name in ("region", "date") if name not in flowering]
    if lacking:
        raise OnsetError(f"flowering dates need the columns region and date, {lacking} is lacking")
    for column in ("species", "stage"):
        kinds = pd.unique(flowering[column]).tolist() if column in flowering else []
        if len(kinds) > 1:
            raise OnsetError(
                f"an onset model is fitted to one {column} at a time, the dates hold "
                f"{', '.join(map(str, kinds))}: select one"
            )
