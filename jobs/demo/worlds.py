"""What moves the flares of all dogs in each of the three invented worlds.

A dog's hazard of a flare on a day is

    own baseline x season(week) ^ own power x shocks x (1 + sum of own sensitivity x driver)

and only the drivers differ between the worlds. It is additive in the drivers and works by dog and
day; the forecasting models work on weekly counts, so they cannot be right by construction.

The humidity world has one driver: relative humidity as remembered over the past days, as a smooth
step between a dry and a damp end. The pollen world has five, each a bump a year, washed out by
rain, with an amount of its own by year and region and a dog's answer that levels off. Birch-like
pollen follows the *observed* flowering of cherry, black locust its own observed flowering. Nobody
observes grasses, mugwort and hop at these stations: a fixed calendar day, shifted by how warm the
six weeks before it were against the mean of all years and regions, stands in for them. The world
`none` has no driver at all. Shocks, shared and region-own, are in every world.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from jobs.demo.places import (
    TABLE,
    DemoError,
    Places,
    observed_flowering,
    stream,
    whole_weather,
)

World = Literal["humidity", "pollen", "none"]

_WEEKS_A_YEAR = 365.25 / 7
_SHOCK_STREAM, _POLLEN_STREAM = 1, 2

_DESCRIPTIONS: dict[str, str] = {
    "humidity": (
        "Flares follow a mild season and the relative humidity of the days before, as the most "
        "careful study of dogs found (Widorn, Zablotski and Mueller 2024); pollen does nothing. "
        "The size of the effect is invented."
    ),
    "pollen": (
        "Flares follow a mild season and five pollens. Birch-like pollen comes after the observed "
        "flowering of cherry, black locust after its own observed flowering. Grasses, mugwort and "
        "hop are observed nowhere here: a fixed calendar day, moved by the temperature of the six "
        "weeks before, stands in. Rain washes pollen out. Humidity does nothing by itself."
    ),
    "none": (
        "Flares follow the week of the year and chance alone; neither weather nor pollen does "
        "anything. A forecast that claims to see more here is wrong."
    ),
}


@dataclass(frozen=True)
class Forces:
    """What all dogs of a region meet: season, shocks and drivers, by day."""

    log_season: NDArray[np.float64]
    shared_shock: NDArray[np.float64]
    own_shock: NDArray[np.float64]
    drivers: NDArray[np.float64]
    names: tuple[str, ...]


def describe_world(world: World) -> str:
    """Say in a few sentences what drives the flares of a world."""
    return _DESCRIPTIONS[checked_world(world)]


def checked_world(world: str) -> World:
    """Return the name if it is a world."""
    for name in get_args(World):
        if name == world:
            return name  # type: ignore[no-any-return]
    raise DemoError(f"there is no world {world!r}; choose one of {', '.join(get_args(World))}")


def driver_names(world: World) -> tuple[str, ...]:
    """Return the drivers of a world, none in the world of that name."""
    if world == "pollen":
        return ("birch_like", "black_locust", "grasses", "mugwort", "hop")
    return ("humidity",) if world == "humidity" else ()


def forces(
    weather: xr.Dataset, flowering: pd.DataFrame, *, places: Places, world: World, seed: int
) -> Forces:
    """Return what all dogs meet in that world. The shocks of a seed are the same in each."""
    shared, own = _shocks(places, stream(seed, _SHOCK_STREAM))
    names = driver_names(world)
    drivers = np.zeros((places.n_days, len(places.regions), len(names)))
    if world == "humidity":
        drivers[:, :, 0] = _humidity(weather, places)
    elif world == "pollen":
        rng = stream(seed, _POLLEN_STREAM)
        drivers[:] = _pollens(weather, flowering, places=places, names=names, rng=rng)
    return Forces(season_curve(places.days, world), shared, own, drivers, names)


def season_curve(days: pd.DatetimeIndex, world: World) -> NDArray[np.float64]:
    """Return the log of the season every year shares, a smooth function of the ISO week."""
    value = TABLE.group(f"season.{world}")
    week = days.isocalendar()["week"].to_numpy().astype(float)
    angle = 2 * np.pi * (week - value["peak_week"].number) / _WEEKS_A_YEAR
    second = value["second_amplitude"].number * np.cos(2 * angle)
    return np.asarray(value["amplitude"].number * np.cos(angle) + second)


def _shocks(
    places: Places, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    weeks = places.n_days // 7
    shared = _carried(rng, weeks, 1, kind="shared")
    own = _carried(rng, weeks, len(places.regions), kind="own")
    return np.repeat(shared[:, 0], 7), np.repeat(own, 7, axis=0)


def _carried(
    rng: np.random.Generator, weeks: int, series: int, *, kind: str
) -> NDArray[np.float64]:
    """Return stationary first-order autoregressions whose exponential has the mean one."""
    spread, carry = TABLE.number(f"shocks.{kind}_spread"), TABLE.number(f"shocks.{kind}_carry")
    fresh = rng.normal(0.0, spread, size=(weeks, series))
    shock = np.empty_like(fresh)
    shock[0] = fresh[0]
    for week in range(1, weeks):
        shock[week] = carry * shock[week - 1] + np.sqrt(1 - carry**2) * fresh[week]
    return shock - spread**2 / 2


def _remembered(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the exponentially fading mean of the past days, today included."""
    keep = np.exp(-1.0 / TABLE.number("hazard.memory_days"))
    faded = np.empty_like(values)
    faded[0] = values[0]
    for day in range(1, len(values)):
        faded[day] = keep * faded[day - 1] + (1 - keep) * values[day]
    return faded


def _humidity(weather: xr.Dataset, places: Places) -> NDArray[np.float64]:
    met = _remembered(whole_weather(weather, places, name="hurs"))[-places.n_days :]
    dry, damp = TABLE.number("humidity.dry"), TABLE.number("humidity.damp")
    x = np.clip((met - dry) / (damp - dry), 0.0, 1.0)
    return np.asarray(x * x * (3 - 2 * x))


def _pollens(
    weather: xr.Dataset,
    flowering: pd.DataFrame,
    *,
    places: Places,
    names: tuple[str, ...],
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    warmth = whole_weather(weather, places, name="tas")
    rain = whole_weather(weather, places, name="pr")[-places.n_days :]
    dates = observed_flowering(flowering)
    washed = 1.0 / (1.0 + np.maximum(rain, 0.0) / TABLE.number("pollen.washed_out"))
    half = TABLE.number("pollen.half_response")
    answers = []
    for name in names:
        starts = _starts(name, dates, warmth=warmth, places=places)
        met = _remembered(_bumps(name, starts, places=places, rng=rng) * washed)
        answers.append(met / (met + half))
    return np.stack(answers, axis=-1)


def _starts(
    name: str, dates: pd.DataFrame, *, warmth: NDArray[np.float64], places: Places
) -> NDArray[np.float64]:
    """Return the first day of each bump, [year, region], counted from the first day of all."""
    years = places.days.year.unique()
    table = TABLE.group(f"pollen.{name}")
    if "after" in table:
        return table["offset"].number + _observed(dates, str(table["after"].value), places, years)
    calendar = pd.to_datetime(years.astype(str) + "-01-01") + pd.Timedelta(
        days=int(table["start_day"].number) - 1
    )
    first = (calendar - places.days[0]).days.to_numpy()
    preceding = int(TABLE.number("pollen.preceding_days"))
    # Row i + preceding of the warmth is day i, so rows i .. i + preceding - 1 are the days before.
    inside = (first >= 0) & (first < places.n_days)
    before = np.array([warmth[day : day + preceding].mean(axis=0) for day in first[inside]])
    starts = np.repeat(first[:, None].astype(np.float64), len(places.regions), axis=1)
    starts[inside] += table["days_a_degree"].number * (before - before.mean())
    return starts


def _observed(
    dates: pd.DataFrame, species: str, places: Places, years: pd.Index
) -> NDArray[np.float64]:
    """Return observed dates as days from the first; a year nobody saw gets the region's mean."""
    mine = dates[dates["species"] == species]
    day = mine["date"].dt.day_of_year.groupby([mine["year"], mine["region"]]).min().unstack()
    day = day.reindex(columns=places.regions)
    usual = day.mean()
    day = day.reindex(index=years).fillna(usual)
    new_year = (pd.to_datetime(years.astype(str) + "-01-01") - places.days[0]).days.to_numpy()
    return np.asarray(new_year[:, None] + day.to_numpy() - 1)


def _bumps(
    name: str, starts: NDArray[np.float64], *, places: Places, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return pollen [day, region], one at the top of a usual year before the rain."""
    table = TABLE.group(f"pollen.{name}")
    shape = table["shape"].number
    amount = np.exp(rng.normal(0.0, TABLE.number("pollen.year_spread"), size=starts.shape))
    day = np.arange(places.n_days)[:, None]
    total = np.zeros((places.n_days, starts.shape[1]))
    for start, much in zip(starts, amount, strict=True):
        x = np.maximum((day - start) / table["peak_days"].number, 0.0)
        total += much * x**shape * np.exp(shape * (1 - x))
    return total
