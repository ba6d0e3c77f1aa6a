"""Small weather with numbers that can be told apart by eye."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.climate import ClimateStore
from forecast.climate.variables import variables

RETRIEVED = datetime(2024, 6, 1, 5, tzinfo=UTC)
# For each variable a value that is plausible everywhere.
USUAL = {
    "tas": 10,
    "tasmin": 5,
    "tasmax": 15,
    "tdps": 3,
    "pr": 2,
    "hurs": 60,
    "sfcWind": 3,
    "rsds": 150,
}


def build_house_weather(
    regions: tuple[str, ...] = ("north", "south"),
    first: str = "2024-01-01",
    n_days: int = 10,
    **values: float,
) -> xr.Dataset:
    """Return constant weather in house form; `values` replace the usual ones."""
    shape = (len(regions), n_days)
    return xr.Dataset(
        {
            name: (
                ("region", "time"),
                np.full(shape, float(values.get(name, USUAL[name]))),
                variable.attributes,
            )
            for name, variable in variables().items()
        },
        coords={
            "region": list(regions),
            "time": pd.date_range(first, periods=n_days),
            "latitude": ("region", np.full(len(regions), 37.5)),
            "longitude": ("region", np.full(len(regions), 127.0)),
            "elevation": ("region", np.full(len(regions), 40.0)),
        },
    )


@pytest.fixture(scope="session")
def house_weather() -> Callable[..., xr.Dataset]:
    return build_house_weather


@pytest.fixture
def store(tmp_path) -> ClimateStore:
    return ClimateStore.open(tmp_path)


@pytest.fixture
def append(store) -> Callable[..., str]:
    """Give a function that appends weather of one source."""

    def append_weather(dataset: xr.Dataset, **changes: object) -> str:
        origin = {
            "source": "stations",
            "licence": "open",
            "credit": "An observatory",
            "retrieved_at": RETRIEVED,
        }
        return store.append_weather(dataset, **(origin | changes))

    return append_weather
