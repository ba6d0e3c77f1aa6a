r"""One dog's odds ratios, drawn to its practice's.

A dog's odds are its own risk sets' posterior mode under a normal prior about the practice's values;
below the table's number of episodes they are the practice's. They are no basis of a diagnosis or of
an immunotherapy recipe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.culprits.conditional_logit import NormalPrior
from models.culprits.odds import Culprits, LagOdds, half_width, numbers
from models.culprits.record import ExposureRecord, LagDriver
from models.culprits.risk_sets import RiskSets

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class DogOdds:
    """One dog's odds ratio of a driver at a lag; `whose` is ``dog`` or ``practice``."""

    driver: str
    window: tuple[int, int]
    odds_ratio: float
    low: float
    high: float
    episodes: int
    whose: str


def dog_odds(
    sets: RiskSets, departures: xr.DataArray, *, practice: Culprits, delay: Floats | None = None
) -> list[DogOdds]:
    """Draw one dog's odds ratios to its practice's.

    Parameters
    ----------
    sets
        Risk sets of that dog alone.
    departures
        As for `culprits`.
    practice
        The practice's odds.
    delay
        As for `culprits`.

    Returns
    -------
    list of DogOdds
        In the practice's order. Below the table's number of episodes that can be compared with
        other days, the practice's values. No basis of a diagnosis or of an immunotherapy recipe.
    """
    if not practice.odds:
        return []
    windows = list(dict.fromkeys(one.window for one in practice.odds))
    record = ExposureRecord.of(sets, departures, delay=delay, windows=windows)
    kept = record.known(sets)
    enough = kept.used >= numbers().number("dog.least_episodes")
    return [
        _of_dog(record, kept, one) if enough else _as_practice(kept, one) for one in practice.odds
    ]


def _of_dog(record: ExposureRecord, sets: RiskSets, practice: LagOdds) -> DogOdds:
    spread = numbers().number("dog.spread")
    inflation = practice.inflation if np.isfinite(practice.inflation) else 1.0
    if not practice.fit.converged:
        return _as_practice(sets, practice)
    variance = inflation**2 * practice.fit.covariance + spread**2 * np.eye(len(practice.terms))
    prior = NormalPrior(practice.fit.coefficients, np.asarray(np.linalg.inv(variance)))
    cell = LagDriver(record, practice.driver, practice.window)
    fitted = cell.fit(sets, prior, 1.0 / inflation**2)
    estimate = float(fitted.coefficients[0])
    half = half_width() * float(np.sqrt(fitted.covariance[0, 0]))
    ratio, low, high = (float(np.exp(estimate + off)) for off in (0.0, -half, half))
    return DogOdds(practice.driver, practice.window, ratio, low, high, sets.used, "dog")


def _as_practice(sets: RiskSets, practice: LagOdds) -> DogOdds:
    return DogOdds(
        practice.driver,
        practice.window,
        practice.odds_ratio,
        practice.low,
        practice.high,
        sets.used,
        "practice",
    )
