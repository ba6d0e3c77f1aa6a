"""What is known of seasons in progress, continued along every trace: the predictors of their dates.

Each season asked for is known to an issue day and goes on with other years' weather
(:mod:`models.season.season_traces`); what the hindcast model reads in it is averaged over the
traces, and the variance of its date between them kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.parameters import load_table
from models.season.families import Continuation
from models.season.flowering_dates import OnsetError
from models.season.onset import MOST_UNMET, FloweringOnset
from models.season.season_traces import (
    daily_slopes,
    fading_share,
    recent_warmth,
    trace_donors,
)
from models.season.season_weather import SeasonWeather, season_days
from models.season.station_regression import Rows

_Array = NDArray[np.float64]
_Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Continued:
    """Seasons continued with other years' weather.

    Attributes
    ----------
    rows
        Their predictors, averaged over traces.
    variance
        Variance of the hindcast model's date between traces [d2].
    never
        Share of traces in which the season does not come.
    """

    rows: Rows
    variance: _Array
    never: _Array

    def chosen(self, seasons: NDArray[np.bool_]) -> Continued:
        """Return some of the seasons."""
        return Continued(self.rows.chosen(seasons), self.variance[seasons], self.never[seasons])

    def joined(self, other: Continued) -> Continued:
        """Return these seasons and others."""
        return Continued(
            self.rows.joined(other.rows),
            np.append(self.variance, other.variance),
            np.append(self.never, other.never),
        )


@dataclass(frozen=True)
class Asked:
    """Seasons to continue: positions of region and season in the weather, and the station's number.

    The number is that of the hindcast model, negative where it has no dates of the region.
    """

    region: _Whole
    season: _Whole
    station: _Whole

    def chosen(self, seasons: NDArray[np.bool_]) -> Asked:
        """Return some of the seasons."""
        return Asked(self.region[seasons], self.season[seasons], self.station[seasons])


def continued_seasons(
    onset: FloweringOnset,
    weather: xr.Dataset,
    seasons: SeasonWeather,
    asked: Asked,
    *,
    issue_day: int,
    horizon: int,
    earlier_only: bool,
) -> tuple[Continued, NDArray[np.bool_]]:
    """Continue seasons; also return which of those asked for have years enough to lend weather.

    Parameters
    ----------
    onset
        Fitted hindcast model.
    weather, seasons
        Daily weather, dims (region, time), and the same cut into seasons.
    asked
        Seasons to continue.
    issue_day
        First day that is not known, counted from the first day of the season [d].
    horizon
        Day up to which seasons are followed [d].
    earlier_only
        Whether only years before a season lend it their weather.
    """
    known = np.minimum(seasons.known_days[asked.region, asked.season], issue_day)
    donors = trace_donors(
        seasons,
        asked.region,
        asked.season,
        known=known,
        horizon=horizon,
        earlier_only=earlier_only,
    )
    table = load_table("models.season", "season.toml")
    least = table.number("in_season.least_traces")
    enough = np.array([len(d) >= least for d in donors], dtype=bool)
    if not enough.any():
        return _nothing(onset.predictors_.shares), enough
    kept = [d for d, has in zip(donors, enough, strict=True) if has]
    number = int(min(table.number("in_season.most_traces"), max(map(len, kept))))
    # who has fewer years takes them again: a young station must not shorten the others' record
    lenders = np.stack([np.resize(d[:number], number) for d in kept])
    asked, known = asked.chosen(enough), known[enough]
    slopes = daily_slopes(weather, seasons, southern=one_hemisphere(weather))
    how = _continuation(
        seasons, asked, lenders, known, slopes=slopes, issue_day=issue_day, horizon=horizon
    )
    length, n_years = seasons.tasmin.shape[-1], len(seasons.years)
    low, high = (a.reshape(-1, length)[:, :horizon] for a in (seasons.tasmin, seasons.tasmax))
    light = np.repeat(seasons.latitude, n_years)
    days = season_days(low, high, light, first_day=seasons.first_day)
    found, met = onset.predictors_.of(days, seasons.latitude[asked.region], how)
    rows = Rows(
        found.mean(axis=1),
        asked.station,
        seasons.latitude[asked.region],
        seasons.longitude[asked.region],
        seasons.years[asked.season].astype(float),
    )
    variance = (found @ onset.regression_.slopes).var(axis=1)
    return Continued(rows, variance, (met <= MOST_UNMET).mean(axis=1)), enough


def _continuation(
    seasons: SeasonWeather,
    asked: Asked,
    lenders: _Whole,
    known: _Whole,
    *,
    slopes: _Array,
    issue_day: int,
    horizon: int,
) -> Continuation:
    """Say which rows of the weather continue each season, and how they are moved."""
    n_years, region = len(seasons.years), asked.region[:, None]
    warmth = recent_warmth(seasons, slopes, issue_day=issue_day)
    excess = warmth[asked.region, asked.season][:, None] - warmth[region, lenders]
    fading = fading_share(seasons, slopes, issue_day=issue_day)
    return Continuation(
        asked.region * n_years + asked.season,
        known,
        region * n_years + lenders,
        (seasons.years[asked.season][:, None] - seasons.years[lenders]).astype(float),
        slopes[:horizon],
        # of warmth that is not known nothing lasts: the season goes on as others did
        np.nan_to_num(excess),
        fading[:horizon],
    )


def one_hemisphere(weather: xr.Dataset) -> bool:
    """Return whether the regions lie south of the equator; those of both are refused."""
    south = weather["latitude"].values < 0
    if south.any() and not south.all():
        raise OnsetError(
            "a forecast of onset is made for regions of one hemisphere at a time, the weather "
            "holds both: select the regions north or south of the equator"
        )
    return bool(south.all())


def _nothing(shares: _Array) -> Continued:
    none = np.empty(0)
    rows = Rows(np.empty((0, len(shares))), np.empty(0, dtype=np.int64), none, none, none)
    return Continued(rows, none, none)
