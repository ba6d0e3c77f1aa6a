"""An invented practice: exposure of many years, shocks that all dogs share, and flare visits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.culprits.lags import daily, window_mean

DRIVERS = ("temperature", "humidity", "trees", "grasses", "weeds")
SEASON_PEAK = {"trees": 16, "grasses": 24, "weeds": 33}


@dataclass(frozen=True)
class Practice:
    """Flare visits, the days on which it was open, and exposure as departures from usual."""

    flares: pd.DataFrame
    is_open: xr.DataArray
    departures: xr.DataArray


def lasting(rng, *shape, weeks, keeps):
    """Draw weekly series of variance one in which a week resembles the one before."""
    noise = rng.standard_normal((*shape, weeks))
    series = noise.copy()
    for week in range(1, weeks):
        series[..., week] = keeps * series[..., week - 1] + np.sqrt(1 - keeps**2) * noise[..., week]
    return series


def make_departures(rng, *, years, regions):
    """Draw departures: regions alike, weather all year, groups mostly in their seasons."""
    weeks = pd.date_range("2004-01-05", periods=52 * years + years // 6, freq="7D")
    n = len(weeks)
    shared, own = (lasting(rng, len(DRIVERS), k, weeks=n, keeps=0.6) for k in (1, len(regions)))
    values = np.sqrt(0.8) * shared + np.sqrt(0.2) * own
    week_of_year = np.arange(n) % 52.18
    for number, driver in enumerate(DRIVERS):
        if driver in SEASON_PEAK:
            off = np.abs(week_of_year - SEASON_PEAK[driver])
            values[number] *= 0.2 + 1.6 * np.exp(-0.5 * (off / 4.0) ** 2)
            values[number] /= values[number].std()
    return daily(
        xr.DataArray(
            values,
            dims=("driver", "region", "week"),
            coords={"driver": list(DRIVERS), "region": list(regions), "week": weeks},
        )
    )


def make_practice(
    seed,
    *,
    effects=None,
    window=(0, 6),
    wait=(7.0, 1.5),
    shock=0.4,
    visits_a_day=1.0,
    years=16,
    visit_years=5,
    regions=("a", "b"),
    season=0.8,
):
    """Draw a practice whose itch begins at a rate exp(effects of the window before it)."""
    rng = np.random.default_rng(seed)
    departures = make_departures(rng, years=years, regions=regions)
    days = departures.indexes["time"]
    log_rate = np.zeros((len(regions), len(days)))
    for driver, effect in (effects or {}).items():
        log_rate += effect * np.nan_to_num(
            window_mean(departures.sel(driver=driver).values, window)
        )
    shocks = lasting(rng, weeks=len(days) // 7, keeps=0.8) * shock
    log_rate += np.repeat(shocks, 7) + season * np.cos(
        2 * np.pi * (days.day_of_year.to_numpy() - 200) / 365.25
    )
    began = rng.poisson(visits_a_day * np.exp(log_rate))
    began[:, : len(days) - 365 * visit_years] = 0
    region, day = np.repeat(np.argwhere(began), began[began > 0], axis=0).T
    if wait is not None:
        day = day + rng.gamma(wait[1], wait[0] / wait[1], size=day.size).astype(int)
    is_open = np.tile(days.day_of_week < 5, (len(regions), 1))
    day = day + np.maximum(0, 7 - (days[0].day_of_week + day) % 7) * (
        (day + days[0].day_of_week) % 7 > 4
    )
    kept = day < len(days)
    return Practice(
        pd.DataFrame(
            {
                "dog": [f"dog {n}" for n in range(kept.sum())],
                "region": np.array(regions, dtype=object)[region[kept]],
                "date": days[day[kept]],
            }
        ),
        xr.DataArray(
            is_open, dims=("region", "time"), coords={"region": list(regions), "time": days}
        ),
        departures,
    )


@pytest.fixture(scope="session")
def invented():
    """Give the maker of invented practices."""
    return make_practice
