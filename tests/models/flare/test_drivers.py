import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import catalogue
from models.flare.drivers import DriverError, Normals, driver_groups, lagged, weekly_drivers
from models.parameters import load_table
from models.weeks import week_of_year

GROUPS = {"birch": "trees", "oak": "trees", "grasses": "grasses"}


def _exposure(weather: xr.Dataset, seed: int = 1) -> xr.DataArray:
    weeks = pd.date_range("2001-01-01", "2021-12-20", freq="7D")
    values = np.random.default_rng(seed).gamma(1, 0.05, (3, weather.sizes["region"], len(weeks)))
    return xr.DataArray(
        values,
        dims=("allergen", "region", "week"),
        coords={"allergen": list(GROUPS), "region": weather["region"].values, "week": weeks},
    )


def test_allergens_of_a_group_enter_together(weather):
    """Two tree pollens give one driver: the sum of their saturated exposures."""
    exposure = _exposure(weather)
    drivers = weekly_drivers(weather, exposure, groups=GROUPS)
    assert drivers["driver"].values.tolist() == ["temperature", "humidity", "trees", "grasses"]
    c = load_table("models.flare", "flare.toml").number("exposure.saturation")
    week = drivers["week"].values[100]
    own = exposure.sel(region="north", week=week)
    expected = sum(np.log1p(float(own.sel(allergen=a)) / c) for a in ("birch", "oak"))
    assert float(drivers.sel(driver="trees", region="north", week=week)) == pytest.approx(expected)


def test_a_driver_is_spread_over_the_weeks_after_it():
    """A single unit of exposure comes out as the table's lag weights, week by week."""
    values = np.zeros((1, 1, 12))
    values[0, 0, 5] = 1.0
    weeks = pd.date_range("2020-01-06", periods=12, freq="7D")
    drivers = xr.DataArray(
        values,
        dims=("driver", "region", "week"),
        coords={"driver": ["trees"], "region": ["north"], "week": weeks},
    )
    weights = load_table("models.flare", "flare.toml")["lag.weights"].value
    spread = lagged(drivers).sel(driver="trees", region="north")
    assert spread.sizes["week"] == 12 - (len(weights) - 1)
    after = spread.sel(week=slice(weeks[5], weeks[5 + len(weights) - 1])).values
    assert after == pytest.approx(np.array(weights))
    assert sum(weights) == pytest.approx(1.0)


def test_anomalies_are_free_of_the_season(weather):
    """The mean anomaly of each week of the year is near zero, its spread over all weeks one."""
    drivers = weekly_drivers(weather, _exposure(weather), groups=GROUPS)
    anomalies = Normals.of(drivers).anomalies(drivers)
    assert anomalies.std(("region", "week")).values == pytest.approx(1.0, abs=0.05)
    temperature = anomalies.sel(driver="temperature")
    by_month = temperature.groupby("week.month").mean()
    assert float(abs(by_month).max()) < 0.5  # the raw wave has a spread of many units


def test_draws_and_traces_keep_their_dims(weather):
    """Leading dims of the weather ahead pass through to the drivers."""
    exposure = _exposure(weather)
    drawn = weather.expand_dims(draw=3)
    drivers = weekly_drivers(drawn, exposure.expand_dims(draw=3), groups=GROUPS)
    assert drivers.dims == ("draw", "driver", "region", "week")
    anomalies = Normals.of(weekly_drivers(weather, exposure, groups=GROUPS)).anomalies(drivers)
    assert anomalies.sizes["draw"] == 3


def test_four_groups_enter_as_they_are():
    """Trees, grasses, weeds and moulds, or indoor in the place of one, are left alone."""
    for fourth in ("moulds", "indoor"):
        groups = {"oak": "trees", "grasses": "grasses", "ragweed": "weeds", "other": fourth}
        assert driver_groups(groups) == groups


def test_a_fifth_group_is_joined_with_the_moulds():
    """Mites and fleas beside all four groups of the air enter together with the moulds."""
    groups = {
        "oak": "trees",
        "grasses": "grasses",
        "ragweed": "weeds",
        "alternaria": "moulds",
        "fleas": "indoor",
    }
    found = driver_groups(groups)
    assert found["alternaria"] == found["fleas"] == "moulds and indoor"
    assert {k: v for k, v in found.items() if k not in ("alternaria", "fleas")} == {
        k: v for k, v in groups.items() if k not in ("alternaria", "fleas")
    }


def test_every_listed_allergen_of_the_catalogue_makes_at_most_four_groups(weather):
    """With all eighteen listed the drivers are temperature, humidity and four groups."""
    groups = {item.id: item.text("group") for item in catalogue().values()}
    weeks = pd.date_range("2010-01-04", periods=30, freq="7D")
    exposure = xr.DataArray(
        np.full((len(groups), weather.sizes["region"], len(weeks)), 0.1),
        dims=("allergen", "region", "week"),
        coords={"allergen": list(groups), "region": weather["region"].values, "week": weeks},
    )
    drivers = weekly_drivers(weather, exposure, groups=groups)["driver"].values.tolist()
    assert drivers == [
        "temperature",
        "humidity",
        "trees",
        "grasses",
        "weeds",
        "moulds and indoor",
    ]


def test_more_groups_than_visits_can_tell_are_refused():
    """Five groups of which none may be joined: the sentence lists them and says what to do."""
    groups = {name: name for name in ("trees", "grasses", "weeds", "shrubs", "ferns")}
    with pytest.raises(DriverError, match=r"at most 4 groups.*hold 5 \(trees, .*practice\.toml"):
        driver_groups(groups)


# ------------------------------------------------------------------------------ not known
def holed(weather, allergen="birch", at=100):
    """Return drivers of an exposure that is not known of one allergen in one week of the north."""
    exposure = _exposure(weather).copy(deep=True)
    week = exposure["week"].values[at]
    exposure.loc[{"allergen": allergen, "region": "north", "week": week}] = np.nan
    return weekly_drivers(weather, exposure, groups=GROUPS), week


def test_a_group_of_which_one_member_is_not_known_is_not_known(weather):
    """A part of a sum is no sum; other groups, regions and weeks are as they were."""
    drivers, week = holed(weather)
    whole = weekly_drivers(weather, _exposure(weather), groups=GROUPS)
    unknown = drivers.isnull()
    assert int(unknown.sum()) == 1
    assert bool(unknown.sel(driver="trees", region="north", week=week))
    assert drivers.where(~unknown).equals(whole.where(~unknown))


def test_exposure_that_is_not_known_is_taken_as_usual_and_not_as_none(weather):
    """The weeks its lags reach have the anomaly of the others alone: its own share adds nothing."""
    drivers, week = holed(weather)
    normals = Normals.of(drivers)
    weights = np.array(load_table("models.flare", "flare.toml")["lag.weights"].value)
    own = normals.departures(drivers).sel(driver="trees", region="north")
    assert float(own.sel(week=week)) == 0.0
    after = pd.date_range(week, periods=len(weights), freq="7D")
    found = normals.anomalies(drivers).sel(driver="trees", region="north", week=after).values
    at = list(own["week"].values).index(week)
    expected = [own.values[at + n - np.arange(len(weights))] @ weights for n in range(len(weights))]
    assert found == pytest.approx(np.array(expected))
    as_none = drivers.fillna(0.0)
    assert float(normals.departures(as_none).sel(driver="trees", region="north", week=week)) < 0


def test_weather_that_is_not_known_has_no_anomaly(weather):
    """Neither the week nor those its lags reach: they are left out where effects are fitted."""
    drivers, _ = holed(weather)
    week = drivers["week"].values[200]
    drivers.loc[{"driver": "humidity", "region": "north", "week": week}] = np.nan
    anomalies = Normals.of(drivers).anomalies(drivers)
    unknown = anomalies["week"].values[anomalies.sel(driver="humidity", region="north").isnull()]
    longest = len(load_table("models.flare", "flare.toml")["lag.weights"].value)
    assert list(unknown) == list(pd.date_range(week, periods=longest, freq="7D").values)
    assert anomalies.sel(driver="trees").notnull().all()


def test_a_week_of_the_year_that_was_never_known_has_no_normal(weather):
    """No warning, no number: the others keep theirs."""
    exposure = _exposure(weather).copy(deep=True)
    spring = week_of_year(exposure["week"].values) == 20
    exposure.loc[{"allergen": "birch", "region": "north"}] = exposure.sel(
        allergen="birch", region="north"
    ).where(~spring)
    normals = Normals.of(weekly_drivers(weather, exposure, groups=GROUPS))
    mean = normals.mean.sel(driver="trees", region="north")
    assert np.isnan(mean.values[20])
    assert np.isfinite(mean.values[40])
    assert np.isfinite(normals.mean.sel(driver="grasses")).all()
