from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from jobs.demo.places import DemoError, Places, choose_regions, lay_out, whole_weather

REGIONS = ["a_mild", "b_mild_too", "c_cold", "d_hot", "e_damp", "f_no_flowers", "g_gaps"]
TEMPERATURE = [12.0, 12.1, 2.0, 22.0, 12.0, 40.0, -20.0]
HUMIDITY = [60.0, 60.0, 60.0, 60.0, 95.0, 10.0, 10.0]


@pytest.fixture
def seven() -> xr.Dataset:
    """Seven regions, of which the last two are extreme in climate but not eligible."""
    time = pd.date_range("2017-01-01", "2023-12-31")
    yearly = 10 * np.sin(2 * np.pi * time.day_of_year.to_numpy() / 365.25)
    shape = ("region", "time")
    tas = np.array(TEMPERATURE)[:, None] + yearly
    tas[6, ::5] = np.nan
    return xr.Dataset(
        {
            "tas": (shape, tas),
            "hurs": (shape, np.array(HUMIDITY)[:, None] + 0 * yearly),
            "pr": (shape, np.zeros_like(tas)),
        },
        coords={"region": REGIONS, "time": time},
    )


@pytest.fixture
def dates() -> pd.DataFrame:
    """Both species every year everywhere, but only cherry at f."""
    rows = [
        (region, species, "flowering", f"{year}-{day}")
        for region in REGIONS
        for species, day in (("Cherry", "04-01"), ("black_locust", "05-05"))
        for year in range(2017, 2024)
        if not (region == "f_no_flowers" and species == "black_locust")
    ]
    return pd.DataFrame(rows, columns=["region", "species", "stage", "date"])


def test_regions_are_the_first_and_then_the_farthest_in_climate(
    seven: xr.Dataset, dates: pd.DataFrame
) -> None:
    """The near twin of a chosen region is left out; gaps and missing flowering exclude."""
    chosen = choose_regions(seven, dates)
    assert chosen[0] == "a_mild"
    assert set(chosen) == {"a_mild", "c_cold", "d_hot", "e_damp"}


def test_too_few_regions_is_said_in_one_sentence(seven: xr.Dataset, dates: pd.DataFrame) -> None:
    """The message says how many are needed and which were found."""
    with pytest.raises(DemoError, match=r"needs 4 regions .* found 1: c_cold"):
        choose_regions(seven.sel(region=["c_cold", "f_no_flowers"]), dates)


def test_weather_without_humidity_is_refused(weather: xr.Dataset, flowering: pd.DataFrame) -> None:
    """The message names what is lacking."""
    with pytest.raises(DemoError, match="hurs"):
        lay_out(weather.drop_vars("hurs"), flowering)


def test_weather_that_starts_too_late_is_refused(
    weather: xr.Dataset, flowering: pd.DataFrame
) -> None:
    """The weeks before the first day are needed, and the message says from when."""
    with pytest.raises(DemoError, match="must start by 2017-01-23"):
        lay_out(weather.sel(time=slice("2017-03-01", None)), flowering)


def test_flowering_without_a_column_is_refused(
    weather: xr.Dataset, flowering: pd.DataFrame
) -> None:
    """The message names the missing column."""
    with pytest.raises(DemoError, match="stage"):
        choose_regions(weather, flowering.drop(columns="stage"))


def test_days_are_whole_weeks_from_a_monday(places: Places) -> None:
    """Weeks are counted from the first day, so it must be a Monday and none may be cut."""
    assert places.days[0] == pd.Timestamp("2017-03-06")
    assert places.days[0].day_name() == "Monday"
    assert places.n_days % 7 == 0


def test_closed_on_sundays_holidays_and_before_opening(places: Places) -> None:
    """Open days follow each branch's own words, the holidays and its opening date."""
    sunday = places.days.day_of_week.to_numpy() == 6
    assert not places.open[sunday].any()
    assert not places.open[places.days.strftime("%m-%d") == "12-25"].any()
    wednesday = places.days.day_of_week.to_numpy() == 2
    assert not places.open[wednesday, 2].any()
    assert places.open[wednesday, 0].mean() > 0.9
    opening = places.index(pd.Timestamp("2018-03-05").date())
    assert not places.open[:opening, 3].any()
    assert places.open[opening, 3]


def test_gaps_in_the_weather_are_bridged(weather: xr.Dataset, places: Places) -> None:
    """A missing day becomes the middle of its neighbours, a missing end the usual of the date."""
    region, day = places.regions[0], "2019-06-12"
    holed = weather.copy(deep=True)
    holed["tas"].loc[{"region": region, "time": day}] = np.nan
    holed["tas"].loc[{"region": region, "time": slice("2024-06-20", None)}] = np.nan
    series = pd.Series(
        whole_weather(holed, places, name="tas")[:, 0],
        index=pd.date_range(end=places.days[-1], periods=places.n_days + 42),
    )
    assert series[day] == pytest.approx((series["2019-06-11"] + series["2019-06-13"]) / 2)
    assert series.notna().all()
    assert 15 < series["2024-06-25"] < 30
