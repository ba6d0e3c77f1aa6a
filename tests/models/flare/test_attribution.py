from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.flare.attribution import FOUND, NOT_TOLD, driver_evidence

DRIVERS = ["temperature", "humidity", "trees", "weeds"]


def make_case(*, humidity: float, trees: float, seed: int, shock: float = 0.25):
    """Invent 20 years of drivers and 6 years of counts, with a shock shared by all regions."""
    rng = np.random.default_rng(seed)
    weeks = pd.date_range("2003-01-06", periods=52 * 20, freq="7D")
    values = rng.normal(size=(4, 3, len(weeks)))
    for week in range(1, len(weeks)):  # weather lasts: a week resembles the one before
        values[..., week] = 0.5 * values[..., week - 1] + 0.87 * values[..., week]
    departures = xr.DataArray(
        values,
        dims=("driver", "region", "week"),
        coords={"driver": DRIVERS, "region": ["a", "b", "c"], "week": weeks},
    )
    last = np.empty(len(weeks))
    state = 0.0
    for week in range(len(weeks)):
        state = 0.8 * state + 0.6 * shock * rng.standard_normal()
        last[week] = state
    log_mean = np.log(5.0) + humidity * values[1] + trees * values[2] + last
    counted = slice(52 * 14, None)
    counts = departures.isel(driver=0, week=counted, drop=True).copy(
        data=rng.poisson(np.exp(log_mean))[:, counted].astype(float)
    )
    return counts, xr.zeros_like(counts), departures


def verdicts(**case) -> dict[str, str]:
    return {e.family: e.verdict for e in driver_evidence(*make_case(**case))}


def test_a_strong_driver_is_found_and_the_idle_one_is_not_claimed():
    """Humidity moves the counts, trees do nothing."""
    assert verdicts(humidity=0.3, trees=0.0, seed=1) == {"humidity": FOUND, "exposure": NOT_TOLD}


def test_exposure_is_found_where_it_is_exposure():
    """The same with the parts changed."""
    found = verdicts(humidity=0.0, trees=0.35, seed=2)
    assert found == {"humidity": NOT_TOLD, "exposure": FOUND}


def test_the_size_of_an_effect_is_about_right():
    """The interval of a planted effect holds it, or misses it by little."""
    evidence = driver_evidence(*make_case(humidity=0.3, trees=0.0, seed=3))[0]
    assert evidence.low - 0.05 < 0.3 < evidence.high + 0.05


def test_an_effect_that_lowers_flares_is_not_called_a_driver():
    """Fewer flares under more pollen is a sign of something else."""
    assert verdicts(humidity=0.0, trees=-0.4, seed=4)["exposure"] == NOT_TOLD


@pytest.mark.long
def test_shared_shocks_are_not_mistaken_for_drivers():
    """With lasting shocks that regions share: 5 % of 200 nulls (40 in short), by 3 sd at most."""
    nulls = 200 if os.environ.get("FOREPAW_LONG") == "whole" else 40
    claims = [FOUND in verdicts(humidity=0.0, trees=0.0, seed=s).values() for s in range(nulls)]
    assert np.mean(claims) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / nulls)


def test_a_short_record_is_not_judged():
    """Without other years' weather nothing can be claimed."""
    counts, offset, departures = make_case(humidity=0.5, trees=0.0, seed=5)
    short = departures.isel(week=slice(52 * 14 - 10, None))
    evidence = driver_evidence(counts, offset, short)
    assert {e.verdict for e in evidence} == {NOT_TOLD}
    assert np.isnan(evidence[0].p_value)


def test_mites_do_not_pass_for_exposure():
    """An index made of humidity is kept out of the exposure family."""
    counts, offset, departures = make_case(humidity=0.0, trees=0.0, seed=6)
    indoor = departures.assign_coords(driver=["temperature", "humidity", "trees", "indoor"])
    strong = counts + np.round(8 * np.clip(indoor.sel(driver="indoor", drop=True), 0, None))
    evidence = driver_evidence(strong.sel(week=counts["week"]), offset, indoor)
    assert {e.family: e.verdict for e in evidence}["exposure"] == NOT_TOLD


def test_a_driver_that_never_departs_from_normal_is_not_claimed_and_stops_no_other():
    """As humidity that nobody near measures: nothing is told of it, in words and in numbers."""
    counts, offset, departures = make_case(humidity=0.0, trees=0.35, seed=2)
    departures.loc[{"driver": "humidity"}] = 0.0
    humidity, exposure = driver_evidence(counts, offset, departures)
    assert (humidity.verdict, humidity.stretches) == (NOT_TOLD, 0)
    assert np.isnan(humidity.p_value)
    assert exposure.verdict == FOUND
