"""Builders for season tests: weather with an answer known by hand, and the sample climate."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import Allergen
from models.parameters import Parameter
from sample_climate import FLOWERING_FILE, FOLDER, WEATHER_FILE


def build_steady_weather(
    *,
    first: str,
    last: str,
    warmth: Mapping[str, float] | float = 10.0,
    latitude: float = 40.0,
) -> xr.Dataset:
    """Weather of one region that stays the same all day and all year."""
    time = pd.date_range(first, last, freq="D")
    level = np.full((1, len(time)), warmth, dtype=float)
    names = ("tas", "tasmin", "tasmax")
    return xr.Dataset(
        {name: (("region", "time"), level.copy()) for name in names},
        coords={"region": ["place"], "time": time, "latitude": ("region", [latitude])},
    )


def build_plant(family: str = "heat sum", **values: float | str) -> Allergen:
    """Plant with round numbers: base 0, onset 100, length 100, both widths a half."""
    numbers: dict[str, float | str] = {
        "heat_method": "mean",
        "base": 0.0,
        "start": "03-01",
        "window": 120,
        "onset_sum": 100.0,
        "season_length": 100.0,
        "fuzziness_in": 0.5,
        "fuzziness_out": 0.5,
    }
    entries = {k: Parameter(v, "1", "test", "assumed") for k, v in (numbers | values).items()}
    return Allergen("plant", "plant", family, entries, (), None, "None.")  # type: ignore[arg-type]


def build_mild_winter_weather(
    *, mean: float = 18.0, amplitude: float = 9.0, latitude: float = 38.0, seed: int = 1
) -> xr.Dataset:
    """Twenty invented years of a winter-rain climate: warm dry summers, humid mild winters."""
    time = pd.date_range("2001-10-01", "2022-12-31", freq="D")
    wave = -np.cos(2 * np.pi * (time.day_of_year.to_numpy() - 20) / 365.25)
    tas = mean + amplitude * wave + np.random.default_rng(seed).normal(0, 2, len(time))
    half_swing = (11 + 3 * wave) / 2
    values = {
        "tas": tas,
        "tasmin": tas - half_swing,
        "tasmax": tas + half_swing,
        "hurs": 65 - 12 * wave,
    }
    return xr.Dataset(
        {name: (("region", "time"), field[None]) for name, field in values.items()},
        coords={"region": ["place"], "time": time, "latitude": ("region", [latitude])},
    )


@pytest.fixture(scope="session")
def make_mild_winter_weather() -> Callable[..., xr.Dataset]:
    return build_mild_winter_weather


@pytest.fixture(scope="session")
def make_steady_weather() -> Callable[..., xr.Dataset]:
    return build_steady_weather


@pytest.fixture(scope="session")
def make_plant() -> Callable[..., Allergen]:
    return build_plant


@pytest.fixture(scope="session")
def sample_weather() -> xr.Dataset:
    """Temperature and humidity of the sample's stations with flowering dates, by region."""
    with xr.open_dataset(FOLDER / WEATHER_FILE) as stored:
        names = stored["station_id"].values.astype(str)
        weather = stored[["tas", "tasmin", "tasmax", "hurs"]].reset_coords(
            ["station_id", "station_name"], drop=True
        )
        weather = weather.rename(station="region").assign_coords(region=names).load()
    return weather.sel(region=names[names != "daegwallyeong"])


@pytest.fixture(scope="session")
def sample_flowering() -> pd.DataFrame:
    """First flowering of three species in the sample."""
    dates = pd.read_csv(FOLDER / FLOWERING_FILE, parse_dates=["date"])
    species = dates["species"].isin(["cherry", "forsythia", "black locust"])
    return dates[species & (dates["stage"] == "flowering")].reset_index(drop=True)
