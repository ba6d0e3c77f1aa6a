from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.culprits import dogs_culprits, exposure_departures, practice_culprits
from forecast.training import driver_history
from forecast.visits.counting.flare_days import FlareDays
from models.culprits.lags import smeared, visit_delay, window_mean

SEED = 4


@pytest.fixture(scope="module")
def departures(model, known):
    return exposure_departures(model, known)


@pytest.fixture(scope="module")
def days(departures) -> FlareDays:
    """Give flare visits of four years on weekdays, of dogs whose itch followed a humid week."""
    rng = np.random.default_rng(2)
    time = departures.indexes["time"]
    opened = (time.day_of_week < 5) & (time >= "2018-07-01")
    humid = departures.sel(driver="humidity").transpose("region", "time").values
    began = np.exp(0.9 * np.nan_to_num(window_mean(humid, (0, 6))))
    count = rng.poisson(0.4 * np.nan_to_num(smeared(began, visit_delay())) * opened)
    region, day = np.repeat(np.argwhere(count), count[count > 0], axis=0).T
    names = departures["region"].values
    flares = pd.DataFrame({"region": names[region], "date": time[day]})
    flares["dog"] = [f"dog {n // 2}" for n in range(len(flares))]
    is_open = xr.DataArray(
        np.tile(opened, (len(names), 1)),
        dims=("region", "time"),
        coords={"region": names, "time": time},
    )
    none = pd.DataFrame([], columns=["dog", "first", "end", "known"])
    return FlareDays(flares, is_open, none)


@pytest.fixture(scope="module")
def told(days, departures):
    return practice_culprits(days, departures, seed=SEED, permutations=199)


def test_departures_are_the_models_on_each_day_of_its_weeks(model, known, departures):
    """A Wednesday has its week's value."""
    weekly = model.normals.departures(driver_history(model, known))
    week = weekly["week"].values[500]
    own = departures.sel(time=week + np.timedelta64(2, "D"))
    xr.testing.assert_allclose(
        own.drop_vars("time").transpose("driver", "region"),
        weekly.sel(week=week, drop=True).transpose("driver", "region"),
    )


def test_a_humid_practice_is_told_that_it_is_humidity(told):
    """Visits follow the humidity of the days before them, and nothing else."""
    assert {one.driver for one in told.found} == {"humidity"}
    assert told.used > 300
    assert "humidity" in told.sentence


def test_dogs_of_few_episodes_take_the_practices_odds(days, departures, told):
    """Two flares each."""
    own = dogs_culprits(days, departures, practice=told, dogs=["dog 0", "nobody"])
    assert set(own) == {"dog 0", "nobody"}
    for dog in own.values():
        assert {one.whose for one in dog} == {"practice"}
        assert [one.odds_ratio for one in dog] == [one.odds_ratio for one in told.odds]


def test_a_region_that_the_model_does_not_know_is_left_out(days, departures, told):
    """Its open days say nothing of the others."""
    more = xr.concat(
        [days.is_open, days.is_open.isel(region=[0]).assign_coords(region=["west"])], dim="region"
    )
    again = practice_culprits(
        FlareDays(days.flares, more, days.not_at_risk), departures, seed=SEED, permutations=199
    )
    assert [one.p_value for one in again.odds] == [one.p_value for one in told.odds]
