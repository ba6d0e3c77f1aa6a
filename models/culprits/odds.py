r"""Odds ratios of a practice's flare visits by driver and lag, and what may be claimed of them.

Each driver (humidity, and the groups of allergens) and each window of days before the itch began is
fitted beside temperature and humidity in the same window, as departures from what is usual for the
place and the week of the year: what comes back every year is season and no evidence. An odds ratio
is that of one standard deviation of departure. Temperature is adjusted for and never judged.

The interval is the estimate give or take the spread that other years' exposure gives the same
estimate (``year_blocks``), and never narrower than the fit's own. A driver is *found* at a lag only
if it goes with more flares and if, of the orders of years, no more than the table's share hold any
driver at any lag as strong (largest standardised statistic, Westfall & Young 1993, single step).
So of practices in which nothing but the season is at work that share is told of any driver, which
keeps false discoveries among claims below it too; the q value beside (``false_discovery``) is the
milder measure of the same. Everything else *cannot be
told*, which is not *no effect*.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.stats import norm

from models.culprits.conditional_logit import LogitFit
from models.culprits.false_discovery import q_values
from models.culprits.record import ExposureRecord, LagDriver
from models.culprits.risk_sets import RiskSets
from models.culprits.year_blocks import OrderScores, YearBlocks
from models.flare.attribution import FOUND, NOT_TOLD
from models.parameters import ParameterTable, load_table

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LagOdds:
    """A driver at one lag.

    Attributes
    ----------
    driver
        ``humidity`` or a group of allergens.
    window
        First and last day before the itch began.
    odds_ratio, low, high
        Of one standard deviation of departure, with interval; NaN where not told.
    p_value, q_value
        One-sided, against other years' exposure; NaN where there are too few of them.
    any_p_value
        Share of orders of years that hold any driver at any lag as strong.
    verdict
        ``found`` or ``cannot be told``.
    terms
        Drivers of the fit, this one first.
    fit
        Their log odds ratios.
    inflation
        How many times wider the spread over other years is than the fit's own error, at least one.
    """

    driver: str
    window: tuple[int, int]
    odds_ratio: float
    low: float
    high: float
    p_value: float
    q_value: float
    any_p_value: float
    verdict: str
    terms: tuple[str, ...]
    fit: LogitFit
    inflation: float


@dataclass(frozen=True)
class Culprits:
    """What a practice's flare visits follow beyond the season.

    Attributes
    ----------
    odds
        Every driver at every lag; empty where there are too few visits.
    p_value
        Share of orders of years that show as strong a driver anywhere; NaN where not told.
    given, used, covered, alone
        Flare visits: given, compared with other days, left out as covered, left out without any
        other day.
    years, orders
        Whole years of exposure, and ways in which they can be laid beside the visits.
    """

    odds: tuple[LagOdds, ...]
    p_value: float
    given: int
    used: int
    covered: int
    alone: int
    years: int
    orders: int

    @property
    def found(self) -> tuple[LagOdds, ...]:
        """The drivers that are found, with their lags."""
        return tuple(one for one in self.odds if one.verdict == FOUND)

    @property
    def sentence(self) -> str:
        """What is seen, in one plain sentence."""
        if not self.odds:
            return (
                f"{self.used} flare visits can be compared with other days of known exposure, too "
                "few to tell what they follow"
            )
        if np.isnan(self.p_value):
            return (
                f"{self.years} whole years of exposure are too few to tell an effect from chance: "
                "nothing beyond the season can be told"
            )
        if not self.found:
            return (
                f"nothing beyond the season is seen in {self.used} flare visits: exposure of other "
                "years goes with them as well"
            )
        what = "; ".join(
            f"{one.driver} {one.window[0]} to {one.window[1]} days before the itch "
            f"(odds ratio {one.odds_ratio:.2f}, {one.low:.2f} to {one.high:.2f})"
            for one in self.found
        )
        return f"{self.used} flare visits follow, beyond the season: {what}"


def culprits(
    sets: RiskSets,
    departures: xr.DataArray,
    *,
    seed: int,
    delay: Floats | None = None,
    windows: Sequence[tuple[int, int]] | None = None,
    permutations: int | None = None,
) -> Culprits:
    """Work out odds ratios of a practice's flare visits by driver and lag.

    Parameters
    ----------
    sets
        Risk sets of the practice.
    departures
        Departures from what is usual, in standard deviations, daily, dims ``(driver, region,
        time)``, no day left out, NaN where not known; the longer they reach back beyond the visits,
        the better. ``temperature`` is adjusted for, the others are judged.
    seed
        Of the random orders of years.
    delay, windows, permutations
        The wait's shares by day, lags and number of orders; those of the table unless given.

    Raises
    ------
    CulpritError
        If a region or day of the sets is not among the departures.
    """
    table = numbers()
    record = ExposureRecord.of(sets, departures, delay=delay, windows=windows)
    kept = record.known(sets)
    if kept.used < table.number("least_visits.practice"):
        return _judged((), float("nan"), kept, years=record.n_years, orders=0)
    n_orders = table.number("year_blocks.permutations") if permutations is None else permutations
    blocks = YearBlocks.cut(
        record.at(kept),
        first=record.first,
        n_days=record.n_days,
        n_orders=int(n_orders),
        seed=seed,
    )
    cells = [LagDriver(record, d, window) for window in record.windows for d in record.judged]
    scores = [cell.scores(kept, blocks) for cell in cells]
    fits = [cell.fit(kept) for cell in cells]
    enough = (
        blocks.n_years >= table.number("year_blocks.least_years")
        and blocks.possible >= table.number("year_blocks.least_orders")
        and len(cells) > 0
    )
    unknown = np.full(len(cells), np.nan)
    p_values = np.array([score.p_value for score in scores]) if enough else unknown
    of_any = _p_of_any(scores) if enough else unknown
    odds = tuple(
        _odds(cell, fit, score, p_value=float(p), q_value=float(q), any_p_value=float(any_p))
        for cell, fit, score, p, q, any_p in zip(
            cells, fits, scores, p_values, q_values(p_values), of_any, strict=True
        )
    )
    strongest = float(of_any.min()) if enough else float("nan")
    return _judged(odds, strongest, kept, years=blocks.n_years, orders=blocks.possible)


def numbers() -> ParameterTable:
    """Return the table of the case-crossover."""
    return load_table("models.culprits", "culprits.toml")


def half_width() -> float:
    """Return how many standard errors the interval reaches to either side."""
    return float(norm.ppf(0.5 + numbers().number("year_blocks.interval") / 2.0))


def _judged(
    odds: tuple[LagOdds, ...], strongest: float, kept: RiskSets, *, years: int, orders: int
) -> Culprits:
    return Culprits(
        odds=odds,
        p_value=strongest,
        given=kept.given,
        used=kept.used,
        covered=kept.covered,
        alone=kept.alone,
        years=years,
        orders=orders,
    )


def _p_of_any(scores: Sequence[OrderScores]) -> Floats:
    """Return for each driver the share of orders whose strongest driver is as strong as it."""
    statistic = np.stack([score.statistic for score in scores])
    spread = statistic.std(axis=1, keepdims=True)
    standard = (statistic - statistic.mean(axis=1, keepdims=True)) / np.where(spread > 0, spread, 1)
    strongest = standard.max(axis=0)
    return np.asarray((strongest >= standard[:, :1]).mean(axis=1))


def _odds(
    cell: LagDriver,
    fit: LogitFit,
    score: OrderScores,
    *,
    p_value: float,
    q_value: float,
    any_p_value: float,
) -> LagOdds:
    estimate, own = float(fit.coefficients[0]), float(np.sqrt(fit.covariance[0, 0]))
    told = bool(np.isfinite(p_value)) and fit.converged
    inflation = max(1.0, score.effect_sd / own) if told else float("nan")
    half = half_width() * own * inflation
    level = numbers().number("year_blocks.level")
    found = told and estimate > 0 and any_p_value <= level
    return LagOdds(
        driver=cell.driver,
        window=cell.window,
        odds_ratio=float(np.exp(estimate)),
        low=float(np.exp(estimate - half)),
        high=float(np.exp(estimate + half)),
        p_value=p_value,
        q_value=q_value,
        any_p_value=any_p_value,
        verdict=FOUND if found else NOT_TOLD,
        terms=cell.terms,
        fit=fit,
        inflation=inflation,
    )
