r"""Attribution: what a practice's visits say about humidity and about exposure.

The regression's own standard errors take weeks as independent once region, season and drivers are
known. They are not: a shock shared by all dogs lasts for weeks and would pass as an effect of
whatever the weather did in them. So a claim is judged against the weather of *other years*. The
visits are fitted without the family in question (humidity, or all exposure groups together); with
*u* the score residuals, *W* the weights of that fit and *Z* the family's drivers less what the
other terms explain of them, the score statistic

.. math:: T(Z) = b^\top (Z^\top W Z)\, b, \qquad b = (Z^\top W Z)^{-1} Z^\top u

is worked out for the weather as it was, and again with the family's drivers taken from every other
stretch of the record, whole years and up to a few weeks away. Those have the same seasons and the
same persistence, and cannot have moved these visits. The share of them that reach *T* is the p
value.

Weather enters the fit week by week, squared, and by season, so that exposure, itself made of
weather, does not pass for what a stiff humidity term left over. A family is called a driver only if
its p value is below half the level (two claims are on offer) and its effects add up to more flares,
not fewer. Everything else is *cannot be told*, which is not *no effect*.

Mites and fleas, indices of humidity themselves, are left out of the exposure family. Weeks whose
weather is not known are left out; exposure that is not known counts as usual (`Normals`), in the
visits' own weeks as in every other stretch.

Known failures: damp air lifts itch and holds pollen down, so a practice in which the two always
move together cannot tell them apart; four regions and six years see only large effects; a record of
fewer than about ten years beyond the visits has too few other stretches.

References
----------
Cox D.R. & Hinkley D.V. 1974, Theoretical Statistics, chapter 9 (score tests); Good P. 2005,
Permutation, Parametric and Bootstrap Tests of Hypotheses, 3rd ed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.flare.drivers import WEATHER_DRIVERS, lagged
from models.flare.season_regression import SeasonRegression
from models.parameters import load_table
from models.weeks import WEEKS_IN_YEAR, phase

Array = NDArray[np.float64]
FOUND, NOT_TOLD = "found", "cannot be told"
INDOOR = "indoor"
_STILL = 1e-9  # departures that spread by less are sums of rounding


@dataclass(frozen=True)
class Evidence:
    """What the visits say of one family of drivers.

    Attributes
    ----------
    family
        ``humidity`` or ``exposure``.
    verdict
        ``found`` or ``cannot be told``.
    p_value
        Share of other stretches of weather that fit the visits as well; NaN where there are too
        few of them.
    stretches
        How many other stretches there are.
    effect, low, high
        Effect of one standard deviation of all of the family's drivers together on the log of
        flare visits, and its 90 % interval.
    """

    family: str
    verdict: str
    p_value: float
    stretches: int
    effect: float
    low: float
    high: float


def driver_evidence(
    counts: xr.DataArray, offset: xr.DataArray, departures: xr.DataArray
) -> list[Evidence]:
    """Test humidity and exposure, each beside the other, temperature, season and trend.

    Parameters
    ----------
    counts, offset
        Flare visits and known part of their log-mean, dims ``(region, week)``.
    departures
        Departures of the drivers from normal, in the week they happen, dims ``(driver, region,
        week)``; the longer they reach back beyond the counts, the better.
    """
    drivers = _lag_by_lag(departures)
    names = [str(d) for d in drivers["driver"].values]
    families = {
        "humidity": [n for n in names if n.startswith("humidity in")],
        "exposure": [str(d) for d in departures["driver"].values if _is_airborne(str(d))],
    }
    moving = drivers.std(("region", "week")) > _STILL
    drivers = drivers.sel(driver=moving)
    varying = {
        family: [name for name in members if moving.sel(driver=name)]
        for family, members in families.items()
        if members
    }
    return [
        _judge(family, members, counts, offset, drivers) if members else _untold(family)
        for family, members in varying.items()
    ]


def _untold(family: str) -> Evidence:
    """Return what drivers tell that never depart from normal, as humidity that nobody measures."""
    nan = float("nan")
    return Evidence(family, NOT_TOLD, nan, 0, 0.0, nan, nan)


def _is_airborne(driver: str) -> bool:
    # mites and fleas are modelled from humidity: as exposure they would pass its effect off
    return driver not in WEATHER_DRIVERS and INDOOR not in driver


def _lag_by_lag(departures: xr.DataArray) -> xr.DataArray:
    """Return exposure with the shared lag shape; weather week by week, squared and by season."""
    spread = lagged(departures)
    longest = departures.sizes["week"] - spread.sizes["week"]
    angle = 2.0 * np.pi * phase(spread["week"].values)
    waves = {"cosine": np.cos(angle), "sine": np.sin(angle)}
    exposure = [str(d) for d in departures["driver"].values if d not in WEATHER_DRIVERS]
    parts = {d: spread.sel(driver=d, drop=True) for d in exposure}
    for weather in WEATHER_DRIVERS:
        own = departures.sel(driver=weather, drop=True)
        for lag in range(longest):
            moved = own.isel(week=slice(longest - lag, own.sizes["week"] - lag))
            parts[f"{weather} in week {lag} before"] = moved.assign_coords(week=spread["week"])
        mean = spread.sel(driver=weather, drop=True)
        parts[f"{weather} squared"] = mean**2 - (mean**2).mean()
        for name, wave in waves.items():
            parts[f"{weather} by {name} of the year"] = mean * xr.DataArray(wave, dims="week")
    index = xr.Variable("driver", list(parts))
    return xr.concat(list(parts.values()), dim=index, coords="minimal", compat="override")


def _judge(
    family: str,
    members: Sequence[str],
    counts: xr.DataArray,
    offset: xr.DataArray,
    drivers: xr.DataArray,
) -> Evidence:
    others = tuple(
        str(d) for d in drivers["driver"].values if d not in members and not d.startswith(family)
    )
    fitted = SeasonRegression(others, driver_prior=False).fit(counts, offset, drivers)
    score = _Score(fitted, counts, offset, drivers)
    chosen = drivers.sel(driver=list(members)).transpose("region", "week", "driver").values
    at = drivers.indexes["week"].get_loc(counts.indexes["week"][0])
    n_weeks = counts.sizes["week"]
    seen = score.effect(chosen[:, at : at + n_weeks])
    elsewhere = [score.effect(z) for z in _other_stretches(chosen, at, n_weeks)]
    table = load_table("models.flare", "flare.toml")
    enough = len(elsewhere) >= table.number("attribution.least_stretches")
    reached = sum(other.statistic >= seen.statistic for other in elsewhere)
    p_value = (1 + reached) / (1 + len(elsewhere)) if enough else float("nan")
    effect = float(seen.effects.sum())
    half = 1.645 * float(np.std([o.effects.sum() for o in elsewhere])) if enough else float("nan")
    found = p_value <= table.number("attribution.level") / 2.0 and effect > 0
    return Evidence(
        family,
        FOUND if found else NOT_TOLD,
        p_value,
        len(elsewhere),
        effect,
        effect - half,
        effect + half,
    )


def _other_stretches(chosen: Array, at: int, n_weeks: int) -> Iterator[Array]:
    """Yield the family's drivers from whole years away, the record closed to a ring."""
    table = load_table("models.flare", "flare.toml")
    most = int(table.number("attribution.most_weeks_off"))
    step = int(table.number("attribution.step_of_weeks"))
    n_record = chosen.shape[1]
    n_years = int(n_record / WEEKS_IN_YEAR)
    for years in range(1, n_years):
        for off in range(-most, most + 1, step):
            moved = round(years * WEEKS_IN_YEAR) + off
            yield chosen[:, (np.arange(at, at + n_weeks) - moved) % n_record]


@dataclass(frozen=True)
class _Effect:
    effects: Array
    statistic: float


class _Score:
    """Score statistic of drivers that a fit left out."""

    def __init__(
        self,
        fitted: SeasonRegression,
        counts: xr.DataArray,
        offset: xr.DataArray,
        drivers: xr.DataArray,
    ) -> None:
        design, y, known_part, self.use = fitted.rows(counts, offset, drivers)
        self.design = design[self.use]
        mean = np.exp(known_part[self.use] + self.design @ fitted.coefficients_)
        damped = 1.0 + mean / fitted.total_size_
        self.residual = (y[self.use] - mean) / damped
        self.weights = mean / damped
        self.covariance = fitted.covariance_

    def effect(self, drivers: Array) -> _Effect:
        """Return the one-step effects of drivers ``(region, week, driver)``."""
        z = np.nan_to_num(drivers[self.use])
        explained = self.covariance @ (self.design.T @ (self.weights[:, None] * z))
        z = z - self.design @ explained
        information = (z.T * self.weights) @ z
        effects: Array = np.linalg.solve(information, z.T @ self.residual).astype(np.float64)
        return _Effect(effects, float(effects @ information @ effects))
