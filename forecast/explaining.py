"""Explaining: what moves each week of an issued forecast away from what is usual.

Everything is read off the Issue, whose terms of the log rate add up without rest
(`models.flare.explanation`). As shares the parts multiply: +10 % and -10 % make 1.10 x 0.90 of the
usual.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import exp, expm1, log

import numpy as np
import pandas as pd
import xarray as xr

from models.flare.explanation import RECENT, REMAINDER, SEASON, TREND, USUAL

TOLD = "explanation"  # what an issue calls it; one of before it was kept has none
IN_ALL = "in all"
WORDS = {
    SEASON: "season",
    TREND: "trend",
    RECENT: "recent weeks",
    REMAINDER: "all else",
    "trees": "tree pollen",
    "grasses": "grass pollen",
    "weeds": "weed pollen",
    "moulds": "mould spores",
    "indoor": "mites and fleas",
}


@dataclass(frozen=True)
class ExplainedWeek:
    """One week ahead, taken apart.

    Attributes
    ----------
    week
        Its Monday.
    usual, forecast
        Flares per 1,000 consultations if no dog were covered: of the same weeks of past years, and
        as forecast (mean of the futures).
    parts
        What lies between, by its name, on the log scale: they add up to ``log(forecast / usual)``.
        The last one is the remainder.
    """

    week: date
    usual: float
    forecast: float
    parts: dict[str, float]

    @property
    def departure(self) -> float:
        """How far the forecast is from the usual, on the log scale."""
        return log(self.forecast / self.usual)


def explained_regions(issued: xr.Dataset) -> frozenset[str]:
    """Return the regions of which an issue tells what moves their weeks."""
    if TOLD not in issued:
        return frozenset()
    told = issued[TOLD].transpose("region", "week", "term").values
    return frozenset(issued["region"].values[np.isfinite(told).all(axis=(1, 2))].tolist())


def explained_weeks(issued: xr.Dataset, region: str) -> tuple[ExplainedWeek, ...]:
    """Return the weeks ahead of a region, taken apart.

    Empty where the issue does not tell it: without visits of the region, or made before it was
    kept.
    """
    if TOLD not in issued:
        return ()
    told = issued[TOLD].sel(region=region).transpose("week", "term")
    if not np.isfinite(told.values).all():
        return ()
    names = [str(term) for term in told["term"].values]
    found = []
    for week, values in zip(told["week"].values, told.values, strict=True):
        terms = dict(zip(names, values.tolist(), strict=True))
        usual, forecast = 1000.0 * exp(terms.pop(USUAL)), 1000.0 * exp(float(values.sum()))
        parts = {part_name(term): value for term, value in terms.items()}
        found.append(ExplainedWeek(pd.Timestamp(week).date(), usual, forecast, parts))
    return tuple(found)


def part_name(term: str) -> str:
    """Return a term as a practice calls it; groups that were joined by each of their names."""
    return WORDS.get(term) or " and ".join(WORDS.get(one, one) for one in term.split(" and "))


def change_in_words(value: float) -> str:
    """Say a part of the log rate as what it alone adds or takes: ``+12 %``."""
    share = 100.0 * expm1(value)
    return "0 %" if abs(share) < 0.5 else f"{share:+.0f} %"


def explanation_frame(weeks: tuple[ExplainedWeek, ...]) -> pd.DataFrame:
    """Return a row a week and part, first of all of them together: ``week``, ``part``, ``change``.

    ``change`` is on the log scale.
    """
    rows = [
        {"week": pd.Timestamp(one.week), "part": part, "change": change}
        for one in weeks
        for part, change in {IN_ALL: one.departure, **one.parts}.items()
    ]
    return pd.DataFrame(rows, columns=["week", "part", "change"])
