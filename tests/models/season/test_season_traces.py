"""Warmth that lasts: what the weeks before an issue day tell of those after it."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.parameters import load_table
from models.season.season_traces import fading_share, recent_warmth
from models.season.season_weather import season_weather

ISSUE_DAY = 151
FADES = load_table("models", "traces.toml").number("lasting.fades")


def seasons(departure, *, stays):
    """Return forty seasons at 10 degC, warmer by a departure before the issue day.

    Past it the share `stays` of the departure is left, fading as the table says.
    """
    days = pd.date_range("1980-10-01", "2020-09-30")
    values = np.full(len(days), 10.0)
    for year, more in zip(range(1981, 2021), departure, strict=True):
        lead = np.asarray((days - pd.Timestamp(year - 1, 10, 1)).days) - ISSUE_DAY
        values[(lead >= -ISSUE_DAY) & (lead < 0)] += more
        ahead = (lead >= 0) & (lead < 150)
        values[ahead] += stays * more * np.exp(-lead[ahead] / FADES)
    tas = xr.DataArray(
        values[None], dims=("region", "time"), coords={"region": ["a"], "time": days}
    ).assign_coords(latitude=("region", [50.0]), longitude=("region", [10.0]))
    return season_weather(xr.Dataset({"tasmin": tas - 4, "tasmax": tas + 4}), first_day="10-01")


@pytest.fixture(scope="module")
def departure():
    return np.random.default_rng(4).normal(0, 2, 40)


def test_the_share_of_warmth_that_stays_is_found_and_drawn_towards_none(departure):
    """Of a departure 0.4 stays: forty years against ten without any make 0.4 x 40 / 50 of it.

    Nothing of it is added before the issue day, and 1/e is left after the time over which it
    fades.
    """
    share = fading_share(seasons(departure, stays=0.4), np.zeros(300), issue_day=ISSUE_DAY)
    assert share[ISSUE_DAY] == pytest.approx(0.32, abs=0.01)
    assert (share[:ISSUE_DAY] == 0).all()
    assert share[ISSUE_DAY + int(FADES)] == pytest.approx(share[ISSUE_DAY] / np.e)


def test_warmth_that_turns_is_not_taken_to_last(departure):
    """Where warm weeks are followed by cool ones nothing is carried on."""
    share = fading_share(seasons(departure, stays=-0.4), np.zeros(300), issue_day=ISSUE_DAY)
    assert (share == 0).all()


def test_the_warmth_of_the_weeks_before_is_set_to_the_climate_of_the_last_year(departure):
    """In a climate said to warm by 0.1 K a year, the season of 1981 counts 3.9 K warmer."""
    held = seasons(departure, stays=0.0)
    warmth = recent_warmth(held, np.full(300, 0.1), issue_day=ISSUE_DAY)[0]
    at = [int(np.flatnonzero(held.years == year)[0]) for year in (1981, 2020)]
    np.testing.assert_allclose(warmth[at], 10.0 + departure[[0, -1]] + [3.9, 0.0])
