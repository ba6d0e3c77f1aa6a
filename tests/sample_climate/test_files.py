"""The shipped files: what they promise to readers who have only them."""

import hashlib
import tomllib

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import sample_climate
from sample_climate import FLOWERING_FILE, FOLDER, MANIFEST_FILE, STATIONS_FILE, WEATHER_FILE
from sample_climate.netcdf import values_sha256

UNITS = {
    "tas": "degC",
    "tasmin": "degC",
    "tasmax": "degC",
    "pr": "mm/day",
    "hurs": "%",
    "sfcWind": "m s-1",
    "rsds": "W m-2",
}
# Limits no day at a Korean station passes; wider than the country's records.
RANGES = {
    "tas": (-35, 40),
    "tasmin": (-35, 35),
    "tasmax": (-30, 42),
    "pr": (0, 900),
    "hurs": (5, 100),
    "sfcWind": (0, 40),
    "rsds": (10, 400),
}
CELL_METHODS = {"tasmin": "time: minimum", "tasmax": "time: maximum"}


@pytest.fixture(scope="module")
def weather():
    with xr.open_dataset(FOLDER / WEATHER_FILE) as opened:
        return opened.load()


@pytest.fixture(scope="module")
def flowering():
    return pd.read_csv(FOLDER / FLOWERING_FILE, parse_dates=["date"])


@pytest.fixture(scope="module")
def stations():
    return pd.read_csv(FOLDER / STATIONS_FILE)


@pytest.fixture(scope="module")
def manifest():
    return tomllib.loads((FOLDER / MANIFEST_FILE).read_text(encoding="utf-8"))


def test_files_are_those_of_the_manifest(manifest):
    """Every listed file has the listed SHA-256, so none was edited by hand."""
    assert {WEATHER_FILE, FLOWERING_FILE, STATIONS_FILE} <= set(manifest["files"])
    for name, entry in manifest["files"].items():
        assert hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() == entry["sha256"], name


def test_values_hash_to_what_the_manifest_says(weather, manifest):
    """The hash of the values alone, which other library versions must reach, is right."""
    assert values_sha256(weather) == manifest["files"][WEATHER_FILE]["values_sha256"]


def test_the_folder_stays_small():
    """Weather is under 3 MB and all that is shipped under 4 MB."""
    assert (FOLDER / WEATHER_FILE).stat().st_size < 3_000_000
    assert sum(file.stat().st_size for file in FOLDER.glob("*.*")) < 4_000_000


def test_weather_is_a_cf_time_series_of_stations(weather):
    """Convention, geometry, station ids, bounds and credit are declared as CF-1.11 asks."""
    assert weather.attrs["Conventions"] == "CF-1.11"
    assert weather.attrs["featureType"] == "timeSeries"
    for name in ("title", "institution", "source", "history", "references", "licence", "comment"):
        assert weather.attrs[name]
    roles = [name for name in weather.variables if "cf_role" in weather[name].attrs]
    assert roles == ["station_id"]
    assert weather["time"].attrs["bounds"] == "time_bnds"
    lengths = np.diff(weather["time_bnds"].values, axis=1)
    assert (lengths == np.timedelta64(1, "D")).all()
    assert weather["latitude"].attrs["units"] == "degrees_north"


@pytest.mark.parametrize("name", UNITS)
def test_variables_carry_units_names_and_cell_methods(weather, name):
    """Each variable says its unit, its standard name and how the day was summarised."""
    variable = weather[name]
    assert variable.dims == ("station", "time")
    assert variable.attrs["units"] == UNITS[name]
    assert variable.attrs["standard_name"]
    assert variable.attrs["cell_methods"] == CELL_METHODS.get(name, "time: mean")
    assert variable.encoding["dtype"] == np.dtype("int16")


def test_every_day_is_on_the_axis(weather):
    """Days run without a break from 2003 to the end of June 2024."""
    expected = pd.date_range("2003-01-01", "2024-06-30")
    assert weather["time"].to_index().equals(expected.rename("time"))


def test_minimum_mean_and_maximum_are_in_order(weather):
    """On each day that has them, minimum <= mean <= maximum."""
    low, mean, high = (weather[name] for name in ("tasmin", "tas", "tasmax"))
    assert not bool(((low > mean + 1e-9) | (mean > high + 1e-9) | (low > high + 1e-9)).any())


@pytest.mark.parametrize("name", RANGES)
def test_values_are_plausible(weather, name):
    """No sentinel or slip of unit is left: all values lie within wide Korean limits."""
    low, high = RANGES[name]
    assert low <= float(weather[name].min())
    assert float(weather[name].max()) <= high


def test_missing_days_are_few_and_counted(weather, manifest):
    """Each variable misses at most 1.2 % of days, exactly as the manifest counts."""
    for index, station in enumerate(weather["station_id"].values):
        for name in UNITS:
            missing = int(weather[name].isel(station=index).isnull().sum())
            assert missing == manifest["missing_days"][station][name]
            assert missing <= 0.012 * weather.sizes["time"]


def test_days_absent_from_the_source_stay_missing(weather):
    """Gaps are left to the program: 31 December 2005 has no value, not even a dry zero."""
    absent = weather[list(UNITS)].sel(time="2005-12-31")
    assert all(bool(absent[name].isnull().all()) for name in UNITS)


def test_the_climates_differ_as_geography_says(weather):
    """The highland is coldest, the island warmest, and the basin swings more than the coast."""
    by_id = weather.swap_dims(station="station_id")
    mean = by_id["tas"].mean("time").to_series()
    assert mean.idxmin() == "daegwallyeong"
    assert mean.idxmax() == "jeju"
    spread = (by_id["tasmax"] - by_id["tasmin"]).mean("time").to_series()
    assert spread["andong"] > spread["mokpo"] + 2


def test_summer_is_the_wet_and_warm_season(weather):
    """July is warmer and wetter than January at every station: the axis is not shifted."""
    monthly = weather[["tas", "pr"]].groupby("time.month").mean()
    july, january = monthly.sel(month=7), monthly.sel(month=1)
    assert bool((july["tas"] > january["tas"] + 15).all())
    assert bool((july["pr"] > 2 * january["pr"]).all())


def test_exactly_one_highland_without_flowering(stations, flowering):
    """One station lies above 700 m and ships no flowering; the other seven do."""
    high = stations[stations["elevation"] > 700]
    assert len(high) == 1
    assert not high["flowering"].item()
    low = set(stations["id"]) - set(high["id"])
    assert set(flowering["region"]) == low
    assert set(stations.loc[stations["flowering"], "id"]) == low


def test_places_agree_between_the_files(weather, stations):
    """Ids and places in weather.nc are those of stations.csv."""
    assert list(weather["station_id"].values) == list(stations["id"])
    for name in ("latitude", "longitude", "elevation"):
        np.testing.assert_array_equal(weather[name].values, stations[name])


def test_flowering_dates_are_unique_and_in_the_period(flowering):
    """One date per place, plant, year and stage, within 2003-2024."""
    keys = flowering.assign(year=flowering["date"].dt.year).drop(columns="date")
    assert not keys.duplicated().any()
    assert keys["year"].between(2003, 2024).all()
    assert set(flowering["stage"]) == {"budding", "flowering", "full bloom"}


@pytest.mark.parametrize(
    ("species", "first", "last"),
    [
        # Wide windows of general knowledge for the Korean lowland; day of year.
        ("plum", 1, 120),
        ("forsythia", 46, 120),
        ("azalea", 46, 120),
        ("cherry", 69, 130),
        ("peach", 60, 135),
        ("pear", 60, 135),
        ("black locust", 100, 166),
        ("cosmos", 152, 305),
    ],
)
def test_flowering_falls_in_the_season_of_the_plant(flowering, species, first, last):
    """First flowering is neither a second bloom nor a slip of the pen, and every place has it."""
    dates = flowering[(flowering["species"] == species) & (flowering["stage"] == "flowering")]
    assert dates["date"].dt.day_of_year.between(first, last).all()
    assert dates["region"].nunique() == 7
    assert len(dates) > 100


def test_plants_flower_in_their_known_order(flowering):
    """On average plum comes before forsythia, then cherry, then black locust, then cosmos."""
    first = flowering[flowering["stage"] == "flowering"]
    mean = first["date"].dt.day_of_year.groupby(first["species"]).mean()
    order = ["plum", "forsythia", "cherry", "black locust", "cosmos"]
    assert list(mean[order].sort_values().index) == order


def test_stages_of_a_plant_are_in_order(flowering):
    """In each year buds open no later than flowers, and full bloom comes no earlier."""
    table = flowering.assign(year=flowering["date"].dt.year).pivot(
        index=["region", "species", "year"], columns="stage", values="date"
    )
    assert not (table["budding"] > table["flowering"]).any()
    assert not (table["full bloom"] < table["flowering"]).any()


def test_the_licence_says_what_is_not_known(manifest, weather):
    """The manifest admits that the data's licence is not known and credits the observer."""
    assert manifest["licence"]["of_the_data"] == "not known"
    assert "not known" in weather.attrs["licence"]
    assert "Korea Meteorological Administration" in manifest["origin"]["credit"]


def test_the_package_offers_only_names():
    """Importing the folder costs nothing: a path and file names, no heavy library."""
    public = {name for name in vars(sample_climate) if name.isupper()}
    assert public == {
        "FOLDER",
        "WEATHER_FILE",
        "FLOWERING_FILE",
        "STATIONS_FILE",
        "MANIFEST_FILE",
        "CANDIDATES_FILE",
    }
