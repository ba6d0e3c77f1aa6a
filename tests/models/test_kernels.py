"""The compiled pass against a plain walk through the days, and what holds for every formula."""

from __future__ import annotations

import math

import numba
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models import kernels
from models.allergens import Allergen, allergen, catalogue
from models.chill import chilling_hours, utah_units_of_day
from models.daylength import day_length
from models.heat import degree_days_mean, degree_days_sine
from models.season import season_onsets, season_rates
from models.season.fraction import fuzzy_season

PLANTS = [item.id for item in catalogue().values() if "onset_sum" in item.parameters]


def warmth(item: Allergen, tas: float, high: float, low: float, light: float) -> float:
    """Return what a day adds, from the formulas of the rooms that own them."""
    base = item.number("base")
    if item.family == "day length":
        speed = (tas - base) / (item.number("optimum") - base)
        critical, optimal = item.number("critical_day"), item.number("optimal_day")
        return float(
            np.clip(speed, 0, 1) * np.clip((critical - light) / (critical - optimal), 0, 1)
        )
    method = item.text("heat_method")
    if method in ("sine", "hours"):
        return degree_days_sine(high, low, base=base) * (24.0 if method == "hours" else 1.0)
    return degree_days_mean(high if method == "maximum" else tas, base=base)


def chilling(item: Allergen, high: float, low: float) -> float:
    if item.text("chill_method") == "Utah units":
        return utah_units_of_day(high, low)
    return chilling_hours(high, low, threshold=item.number("chill_threshold"))


def plain_walk(item: Allergen, weather: xr.Dataset) -> tuple[np.ndarray, float]:
    """Walk the season that starts in 2001 day by day, at one place without a missing day."""
    begin = pd.Timestamp(f"2001-{item.text('start')}")
    days = pd.date_range(begin, periods=int(item.number("window")))
    season, total, chilled, onset = fuzzy_season(item), 0.0, 0.0, math.inf
    ready, rates = item.family != "chill then heat", []
    for number, day in enumerate(days):
        tas, high, low = (float(weather[v].sel(time=day)) for v in ("tas", "tasmax", "tasmin"))
        light = day_length(float(weather["latitude"].item()), float(day.day_of_year))
        before = total
        if item.family == "chill then heat" and number >= item.number("chill_days"):
            ready = True
        if ready:
            total += warmth(item, tas, high, low, light)
        else:
            chilled = max(0.0, chilled + chilling(item, high, low))
            ready = chilled >= item.number("chill_sum")
        share = season.released(np.array([before, total]))
        rates.append(share[1] - share[0])
        if before < season.onset <= total:
            passed = (season.onset - before) / (total - before)
            onset = (day - pd.Timestamp(weather["time"].values[0])).days + passed
    return np.array(rates), onset


@pytest.mark.parametrize("identity", PLANTS)
def test_the_pass_is_the_plain_walk(weather, identity):
    """Rates and onset of one season, worked out by a loop that knows nothing of the pass."""
    item = allergen(identity)
    place = weather.isel(region=[0]).sel(time=slice("2001-01-01", "2003-12-31"))
    expected, onset = plain_walk(item, place.squeeze("region"))
    rate = season_rates(place, [item])[identity].squeeze("region")
    start = pd.Timestamp(f"2001-{item.text('start')}")
    found = rate.sel(time=slice(start, start + pd.Timedelta(days=len(expected) - 1)))
    np.testing.assert_allclose(found, expected, atol=1e-12)
    crossings = season_onsets(place, [item])[identity].values.ravel()
    first = (start - pd.Timestamp("2001-01-01")).days
    within = crossings[(crossings > first) & (crossings <= first + len(expected))]
    np.testing.assert_allclose(within, [onset] if np.isfinite(onset) else [], atol=1e-9)


def test_all_plants_at_once_are_each_plant_alone(weather):
    """What stands beside a plant in the pass does not touch it."""
    part = weather.sel(time=slice("2001-01-01", "2004-12-31"))
    items = [allergen(identity) for identity in PLANTS]
    together = season_rates(part, items)
    for item in items:
        np.testing.assert_array_equal(
            together[item.id], season_rates(part, [item])[item.id], err_msg=item.id
        )


@pytest.mark.parametrize("warm", [True, False])
def test_an_onset_is_not_known_or_never_comes(make_weather_of, warm):
    """Infinite where a whole window passes without it, missing where the axis ends before."""
    weather = make_weather_of(30.0 if warm else -30.0, last="2001-06-30")
    oak = allergen("oak")  # from 1 March, 150 days: until 28 July
    short = season_onsets(weather, [oak])["oak"].values.ravel()
    whole = season_onsets(make_weather_of(-30.0, last="2001-12-31"), [oak])["oak"].values.ravel()
    assert np.isfinite(short).all() if warm else np.isnan(short).all()
    assert np.isposinf(whole).all()


@pytest.fixture
def make_weather_of():
    def make(celsius: float, *, last: str) -> xr.Dataset:
        time = pd.date_range("2001-01-01", last)
        level = ("time", np.full(len(time), celsius))
        fields = {name: level for name in ("tas", "tasmax", "tasmin")}
        return xr.Dataset(fields, coords={"time": time, "latitude": 40.0})

    return make


FORMULAS = {
    kernels.degree_days_of_mean: (12.0, 5.0, 30.0),
    kernels.degree_days_of_average: (18.0, 6.0, 5.0, 30.0),
    kernels.degree_days_of_truncated: (18.0, 6.0, 5.0, 30.0),
    kernels.degree_days_of_sine: (18.0, 6.0, 5.0, 16.0),
    kernels.hours_below: (18.0, 6.0, 7.2),
}


@pytest.mark.parametrize("formula", FORMULAS, ids=lambda formula: formula.__name__)
def test_a_missing_input_comes_out_missing(formula):
    """Comparisons with a missing value are false: it must not fall into one of their branches."""
    rest = (kernels.VERTICAL,) if formula is kernels.degree_days_of_sine else ()
    arguments = FORMULAS[formula]
    assert np.isfinite(formula(*arguments, *rest))
    for index in range(len(arguments)):
        changed = list(arguments)
        changed[index] = np.nan
        assert np.isnan(formula(*changed, *rest)), index


def test_without_a_folder_for_compiled_code_it_is_compiled_in_memory(monkeypatch):
    """A package installed read-only, under an account without a home, still runs."""
    compile_in_memory = numba.njit

    def refuse(function, *, cache=False, **options):
        if cache:
            raise RuntimeError("cannot cache function: no locator available")
        return compile_in_memory(function, **options)

    monkeypatch.setattr(kernels.numba, "njit", refuse)
    assert kernels.compiled(lambda number: number + 1.0)(2.0) == 3.0
