"""The real weather of the sample, and one invented practice a world, shared by these tests."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import cache

import pandas as pd
import pytest
import xarray as xr

import sample_climate
from jobs.demo.invention import InventedPractice, invent_practice
from jobs.demo.places import Places, lay_out
from jobs.demo.worlds import World

AS_OF = date(2023, 3, 1)


@pytest.fixture(scope="session")
def weather() -> xr.Dataset:
    """Give the sample's real weather, in place of the invented one of the other tests."""
    path = sample_climate.FOLDER / sample_climate.WEATHER_FILE
    with xr.open_dataset(path, engine="h5netcdf") as opened:
        by_station = opened[["tas", "hurs", "pr"]].load()
    region = ("station", by_station["station_id"].values.astype(str))
    return by_station.assign_coords(region=region).swap_dims(station="region")


@pytest.fixture(scope="session")
def flowering() -> pd.DataFrame:
    return pd.read_csv(sample_climate.FOLDER / sample_climate.FLOWERING_FILE)


@pytest.fixture(scope="session")
def places(weather: xr.Dataset, flowering: pd.DataFrame) -> Places:
    return lay_out(weather, flowering)


@pytest.fixture(scope="session")
def practice(weather: xr.Dataset, flowering: pd.DataFrame) -> Callable[[World], InventedPractice]:
    @cache
    def invent(world: World) -> InventedPractice:
        return invent_practice(weather, flowering, world=world, seed=1, as_of=AS_OF)

    return invent
