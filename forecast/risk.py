"""Risk: high weeks, season windows and odds, read off an issued forecast.

Three seasons are kept apart: the *exposure season* of an allergen (modelled index, 5 to 95 % of
the season's sum), the *flare season* of a region (pressure), and the *pollen season* of measured
counts, which is not used here. All of them are read off whole draws, so a start has a spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from models.parameters import load_table

Span = tuple[date, date, date]  # 10 %, 50 % and 90 % of the draws


@dataclass(frozen=True)
class WeekOdds:
    """One week of one region: what is expected, and the odds that it is a high week."""

    region: str
    week: date
    quantity: str
    quantiles: dict[float, float]
    odds_high: float
    climatology_odds: float


@dataclass(frozen=True)
class SeasonWindow:
    """When a season starts, peaks and ends: three dates each, for 10, 50 and 90 % of the draws.

    `share_of_draws` is the share, of the draws in which it is known, that have this season;
    `start_half` the dates between which half of them start (25 and 75 %).
    """

    region: str
    kind: str
    allergen: str | None
    start: Span
    peak: Span
    end: Span
    share_of_draws: float
    start_half: tuple[date, date] | None = None


@dataclass(frozen=True)
class FloweringWindow:
    """When an observed plant flowers, as forecast in season, or did.

    Attributes
    ----------
    region, plant
        Where and what.
    days
        Dates for 10, 50 and 90 %, given that it comes; None where it has flowered, and where it is
        forecast for other regions while this one has too few years of weather.
    half
        Dates for 25 and 75 %.
    never
        Probability that it does not come this season.
    own_dates
        Dates of this region that the forecast was learnt from; with none it is wider.
    seen
        Day on which it was reported to flower; None before.
    likely_over
        Whether it has more likely flowered than not before the day of the forecast, unreported.
    """

    region: str
    plant: str
    days: Span | None
    half: tuple[date, date] | None
    never: float
    own_dates: int
    seen: date | None
    likely_over: bool = False


def week_odds(issued: xr.Dataset, quantity: str = "visits") -> list[WeekOdds]:
    """Return every region's weeks ahead; empty where the practice has no visits."""
    if f"{quantity}_quantiles" not in issued:
        return []
    found = []
    for region in issued["region"].values:
        part = issued.sel(region=region)
        for week in issued["week"].values:
            one = part.sel(week=week)
            series = one[f"{quantity}_quantiles"].to_series()
            levels = {float(str(k)): float(v) for k, v in series.items()}
            found.append(
                WeekOdds(
                    str(region),
                    _date(week),
                    quantity,
                    levels,
                    float(one["odds_high"]),
                    float(one["climatology_odds"]),
                )
            )
    return found


def high_weeks(issued: xr.Dataset, *, at_least: float) -> dict[str, list[date]]:
    """Return, by region, the weeks whose odds of being high reach a level."""
    if "odds_high" not in issued:
        return {}
    odds = issued["odds_high"]
    return {
        str(region): [_date(w) for w in odds["week"].values[odds.sel(region=region) >= at_least]]
        for region in issued["region"].values
    }


def exposure_seasons(issued: xr.Dataset) -> list[SeasonWindow]:
    """Return the next exposure season of every allergen and region that has one.

    Late in a season it is over in some draws, whose next one is a year away: the season of most
    draws is given, and the dates of the others are left out of its spread. Draws whose season the
    weather does not tell are left out, and out of the share.
    """
    found = []
    for region in issued["region"].values:
        for allergen in issued["allergen"].values:
            one = issued.sel(region=region, allergen=allergen)
            days = [one[f"season_{what}"].values for what in ("start", "peak", "end")]
            window = _window(
                str(region), "exposure", str(allergen), _same_season(days), known=_dated(one)
            )
            if window:
                found.append(window)
    return found


def seasons_not_known(issued: xr.Dataset) -> set[tuple[str, str]]:
    """Return region and allergen where the next season has no dates since too little is known.

    Elsewhere an allergen without a window has no season ahead.
    """
    given = {(window.region, window.allergen) for window in exposure_seasons(issued)}
    return {
        (str(region), str(allergen))
        for region in issued["region"].values
        for allergen in issued["allergen"].values
        if (str(region), str(allergen)) not in given
        and not _dated(issued.sel(region=region, allergen=allergen)).all()
    }


def _dated(one: xr.Dataset) -> NDArray[np.bool_]:
    """Return which draws know their season; in an issue that does not say, all of them."""
    if "season_dated" not in one:
        return np.ones(one["season_start"].sizes["draw"], dtype=bool)
    dated: NDArray[np.bool_] = one["season_dated"].values.astype(bool)
    return dated


def _same_season(days: list[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    apart = load_table("forecast", "risk.toml").number("exposure_season.same_season")
    start = days[0]
    if not np.isfinite(start).any():
        return days
    same = np.abs(start - np.nanquantile(start, 0.5, method="lower")) < apart
    return [np.where(same, d, np.nan) for d in days]


def flare_seasons(issued: xr.Dataset) -> list[SeasonWindow]:
    """Return each region's flare season of the year ahead, from the draws of its pressure.

    A draw's season is its longest stretch of weeks whose running mean of pressure per 1,000
    consultations lies above the region's threshold for such means, short pauses allowed. A draw
    may have none.
    """
    if "pressure" not in issued:
        return []
    # in weeks with closed days, against the consultations that would have come
    demand = issued.get("demand", issued["consultations"])
    rate = 1000.0 * issued["pressure"] / demand.clip(min=1)
    width = int(load_table("models.flare", "flare.toml").number("threshold.season_smoothing"))
    smooth = rate.rolling(week=width, center=True, min_periods=1).mean()
    weeks = issued["week"].values.astype("datetime64[D]")
    found = []
    for region in issued["region"].values:
        values = smooth.sel(region=region).transpose("draw", "week").values
        limit = float(issued["season_threshold"].sel(region=region))
        days = _longest_stretches(values, limit, weeks)
        window = _window(str(region), "flare", None, days)
        if window:
            found.append(window)
    return found


def _longest_stretches(
    values: NDArray[np.float64], limit: float, weeks: NDArray[np.datetime64]
) -> list[NDArray[np.float64]]:
    start, peak, end = (np.full(len(values), np.nan) for _ in range(3))
    number = weeks.astype(float)
    pause = load_table("forecast", "risk.toml").number("flare_season.longest_pause")
    for draw, row in enumerate(values):
        at = np.flatnonzero(row > limit)
        if len(at) == 0:
            continue
        runs = np.split(at, np.flatnonzero(np.diff(at) > pause + 1) + 1)
        run = max(runs, key=len)
        start[draw], end[draw] = number[run[0]], number[run[-1]] + 6
        peak[draw] = number[run[0] + int(np.argmax(row[run[0] : run[-1] + 1]))]
    return [start, peak, end]


def _window(
    region: str,
    kind: str,
    allergen: str | None,
    days: list[NDArray[np.float64]],
    *,
    known: NDArray[np.bool_] | None = None,
) -> SeasonWindow | None:
    has = np.isfinite(days[0])
    n_known = len(has) if known is None else int(known.sum())
    share = has.sum() / max(n_known, 1)
    if share < load_table("forecast", "risk.toml").number("window.least_share"):
        return None
    spans = [_span(d[has]) for d in days]
    early, late = np.quantile(days[0][has], [0.25, 0.75])
    half = (_date_of(early), _date_of(late))
    return SeasonWindow(region, kind, allergen, spans[0], spans[1], spans[2], float(share), half)


def flowering_windows(issued: xr.Dataset, region: str) -> list[FloweringWindow]:
    """Return the plants of a region that are in their season, the earliest first.

    Those that flowered come before them, those that cannot be forecast here after. Empty where none
    is in season, and in an issue of before it was kept.
    """
    if "flowering_days" not in issued:
        return []
    found, origin = [], date.fromisoformat(str(issued.attrs["origin"]))
    for plant in issued["plant"].values.astype(str):
        one = issued.sel(region=region, plant=plant)
        seen = float(one["flowering_seen"])
        low, early, middle, late, high = (
            float(one["flowering_days"].sel(quantile=level, method="nearest"))
            for level in (0.1, 0.25, 0.5, 0.75, 0.9)
        )
        if np.isnan(seen) and np.isnan(middle):
            # in season where it is forecast for others; then years are lacking here
            if bool(issued["flowering_days"].sel(plant=plant).notnull().any()):
                own_dates = int(one["flowering_dates"])
                found.append(FloweringWindow(region, plant, None, None, 0.0, own_dates, None))
            continue
        is_ahead = bool(np.isnan(seen))
        found.append(
            FloweringWindow(
                region,
                plant,
                (_date_of(low), _date_of(middle), _date_of(high)) if is_ahead else None,
                (_date_of(early), _date_of(late)) if is_ahead else None,
                float(one["flowering_never"]) if is_ahead else 0.0,
                int(one["flowering_dates"]),
                None if is_ahead else _date_of(seen),
                is_ahead and _date_of(middle) < origin,
            )
        )
    return sorted(found, key=_flowers_on)


def _flowers_on(window: FloweringWindow) -> date:
    if window.days is None:
        return date.max if window.seen is None else window.seen
    return window.days[1]


def _span(days: NDArray[np.float64]) -> Span:
    low, middle, high = np.quantile(days, [0.1, 0.5, 0.9])
    return _date_of(low), _date_of(middle), _date_of(high)


def _date_of(day_number: float) -> date:
    return date.fromordinal(date(1970, 1, 1).toordinal() + round(day_number))


def _date(moment: np.datetime64) -> date:
    return pd.Timestamp(moment).date()
