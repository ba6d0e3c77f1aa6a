"""The record of exposure as arrays: which days of visits it tells, and a driver at a lag."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.culprits.conditional_logit import LogitFit, NormalPrior, fit_conditional_logit
from models.culprits.lags import before_visit, lag_windows, smeared, visit_delay, window_mean
from models.culprits.risk_sets import CulpritError, RiskSets
from models.culprits.year_blocks import (
    LeftOut,
    OrderScores,
    YearBlocks,
    start_of_years,
    whole_years,
)
from models.flare.drivers import WEATHER_DRIVERS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NEVER_JUDGED = "temperature"
_STILL = 1e-9  # departures that spread by less are sums of rounding


@dataclass(frozen=True)
class ExposureRecord:
    """Departures from what is usual as arrays, with the waits and lags they are read by.

    Attributes
    ----------
    drivers
        Those that ever depart.
    windows
        First and last day before the itch began, of each lag.
    delay
        Share of visits by their wait [d].
    values
        Departures, dims ``(driver, region, day)``.
    origin
        Its first day, in days since 1970-01-01.
    first
        Position of the first day of which all lags and waits lie in the record.
    """

    drivers: tuple[str, ...]
    windows: tuple[tuple[int, int], ...]
    delay: Floats
    values: Floats
    origin: int
    first: int

    @classmethod
    def of(
        cls,
        sets: RiskSets,
        departures: xr.DataArray,
        *,
        delay: Floats | None = None,
        windows: Sequence[tuple[int, int]] | None = None,
    ) -> ExposureRecord:
        """Take the departures of the sets' regions, and the table's waits and lags unless given."""
        held = [str(region) for region in departures["region"].values]
        if missing := [region for region in sets.regions if region not in held]:
            raise CulpritError(
                f"odds of region {missing[0]!r} were asked, exposure is given of "
                f"{', '.join(held) or 'none'}; give the exposure of each region that has visits"
            )
        days = departures.indexes["time"].values.astype("datetime64[D]").astype(np.int64)
        if days.size > 1 and (np.diff(days) != 1).any():
            raise CulpritError("exposure was given with days left out; give every day, in order")
        placed = departures.sel(region=list(sets.regions)).transpose("driver", "region", "time")
        moves = placed.std(("region", "time")).values > _STILL
        names = [str(driver) for driver in placed["driver"].values]
        chosen = [name for name, moving in zip(names, moves, strict=True) if moving]
        wait = visit_delay() if delay is None else np.asarray(delay, dtype=float)
        lags = tuple(lag_windows() if windows is None else windows)
        reach = max(last for _, last in lags) + wait.size - 1
        return cls(
            tuple(chosen), lags, wait, placed.values[moves].astype(float), int(days[0]), reach
        )

    @property
    def n_days(self) -> int:
        """Days of the record."""
        return int(self.values.shape[-1])

    @property
    def n_years(self) -> int:
        """Whole years of the record, counted back from its newest day."""
        return whole_years(self.first, self.n_days)

    @property
    def judged(self) -> list[str]:
        """Drivers that are asked about; temperature is adjusted for alone."""
        return [driver for driver in self.drivers if driver != NEVER_JUDGED]

    def at(self, sets: RiskSets) -> Ints:
        """Return the position of each row's day."""
        return sets.day - self.origin

    def known(self, sets: RiskSets) -> RiskSets:
        """Return the sets without days whose exposure, at any lag and wait, is not known."""
        at = self.at(sets)
        start = max(self.first, start_of_years(self.first, self.n_days))
        inside = (at >= start) & (at < self.n_days)
        gaps = np.isnan(self.values).any(axis=0)
        unknown = np.cumsum(np.pad(gaps, ((0, 0), (1, 0))), axis=1)
        place = at[inside]
        region = sets.region[inside]
        missing: Ints = unknown[region, place + 1] - unknown[region, place - self.first]
        known = inside.copy()
        known[inside] = missing == 0
        return sets.keep(known)

    def of_driver(self, driver: str) -> Floats:
        """Return the departures of a driver, dims ``(region, day)``."""
        return np.asarray(self.values[self.drivers.index(driver)])


class LagDriver:
    """One driver in one window, beside temperature and humidity in the same window."""

    def __init__(self, record: ExposureRecord, driver: str, window: tuple[int, int]) -> None:
        self.record, self.driver, self.window = record, driver, window
        beside = [d for d in WEATHER_DRIVERS if d in record.drivers and d != driver]
        self.terms = (driver, *beside)
        self.means = np.stack([window_mean(record.of_driver(d), window) for d in self.terms])

    def scores(self, sets: RiskSets, blocks: YearBlocks) -> OrderScores:
        """Test it in each order of years."""
        met = smeared(self.means, self.record.delay)
        rows = met[1:, sets.region, self.record.at(sets)].T
        return LeftOut(sets, rows).scores(met[0], blocks)

    def fit(
        self, sets: RiskSets, prior: NormalPrior | None = None, weight: float = 1.0
    ) -> LogitFit:
        """Fit its odds ratio, the wait integrated over."""
        delay = self.record.delay
        rows = before_visit(self.means, sets.region, self.record.at(sets), n=delay.size)
        return fit_conditional_logit(sets, rows, delay=delay, prior=prior, weight=weight)
