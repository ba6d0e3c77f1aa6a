import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import allergen, catalogue
from models.exposure import (
    ExposureError,
    daily_exposure,
    humidity_factor,
    mean_season_total,
    rain_factor,
    release,
    scaled_exposure,
    weekly_exposure,
    wet_hours,
    wind_factor,
)
from models.season import season_rate
from sample_climate import FOLDER, WEATHER_FILE


@pytest.fixture(scope="module")
def wet_july():
    """July 2011 in Seoul: 1131 mm of rain in the record."""
    with xr.open_dataset(FOLDER / WEATHER_FILE) as stored:
        at = stored["station_id"].values.astype(str).tolist().index("seoul")
        month = stored.isel(station=at).sel(time=slice("2011-07-01", "2011-07-31")).load()
    assert float(month["pr"].sum()) > 1000
    return month


def test_a_monsoon_month_still_lets_pollen_loose(wet_july):
    """Every day of a monsoon July releases something, the month half as much again as naively.

    Naively is with the daily mean humidity read against limits that are meant for the hour.
    """
    released = release(wet_july)
    on_daily_mean = (
        humidity_factor(wet_july["hurs"])
        * rain_factor(wet_july["pr"])
        * wind_factor(wet_july["sfcWind"])
    ).clip(min=0.05)
    assert released.notnull().all()
    assert (released > 0).all()
    assert float(released.mean()) > 1.5 * float(on_daily_mean.mean())


def test_a_cloudburst_leaves_the_rest_of_its_day_dry():
    """Eleven millimetres stop release in their wet hours, under ten, and not all day."""
    rain = xr.DataArray(11.0)
    hours = float(wet_hours(rain))
    assert 5 < hours < 12
    assert float(rain_factor(rain)) == pytest.approx(1 - hours / 24)


def test_more_rain_never_lets_more_loose():
    """Wet hours grow to the whole day and the rain factor falls from one, without a jump."""
    rain = xr.DataArray(np.linspace(0, 400, 4001), dims="day")
    hours, factor = wet_hours(rain), rain_factor(rain)
    assert float(hours[0]) == 0
    assert (hours.diff("day") >= 0).all()
    assert float(hours.max()) == 24
    assert (factor.diff("day") <= 0).all()
    assert float(factor[0]) == 1
    assert float(factor.min()) == 0


def test_release_is_never_quite_zero():
    """Saturated air, rain all day and no wind leave the floor of the table, 0.05."""
    values = {"tas": 20.0, "tasmax": 20.0, "hurs": 100.0, "pr": 500.0, "sfcWind": 0.0}
    weather = xr.Dataset({name: ("time", [value]) for name, value in values.items()})
    assert float(release(weather).squeeze()) == 0.05


@pytest.mark.parametrize("name", ["tas", "tasmax", "hurs", "pr", "sfcWind"])
def test_unknown_weather_gives_unknown_exposure(weather, name):
    """A missing reading of any input leaves that day of the season unknown, never at the floor."""
    birch = allergen("birch")
    rate = season_rate(weather, birch)
    day = rate.isel(region=0).sel(time="2010").idxmax("time").values
    hole = (weather["time"] == day) & (weather["region"] == weather["region"][0])
    gappy = weather.assign({name: weather[name].where(~hole)})
    exposure = daily_exposure(gappy, birch, rate)
    assert exposure.sel(time=day).isnull().values.tolist() == [True, False]
    assert int(exposure.isnull().sum()) == 1


def test_outside_the_season_exposure_is_zero_whatever_the_weather(weather):
    """No pollen is offered in December, so a missing reading there hides nothing."""
    birch = allergen("birch")
    gappy = weather.where(weather["time"].dt.month != 12)
    rate = season_rate(weather, birch)
    assert (daily_exposure(gappy, birch, rate).sel(time="2010-12") == 0).all()


def test_exposure_is_rate_times_release(weather):
    """On every day, in the dims of the rate."""
    birch = allergen("birch")
    rate = season_rate(weather, birch)
    exposure = daily_exposure(weather, birch, rate)
    assert exposure.dims == rate.dims
    np.testing.assert_allclose(exposure, rate.values * release(weather).values)


@pytest.mark.parametrize("identity", list(catalogue()))
def test_a_mean_season_is_scaled_to_one(weather, identity):
    """Over the training years the scaled totals of every region average one, for every allergen."""
    item = allergen(identity)
    exposure = daily_exposure(weather, item, season_rate(weather, item))
    scaled = scaled_exposure(exposure, mean_season_total(exposure, item))
    mean = mean_season_total(scaled, item)
    np.testing.assert_allclose(mean, 1.0)


def test_the_scale_of_training_years_serves_other_years(weather):
    """Traces are divided by the past's mean: a year twice as strong gets twice the total."""
    birch = allergen("birch")
    exposure = daily_exposure(weather, birch, season_rate(weather, birch))
    total = mean_season_total(exposure, birch)
    traces = xr.concat([exposure, 2 * exposure], dim="trace")
    scaled = scaled_exposure(traces, total)
    assert scaled.dims == ("trace", "region", "time")
    sums = scaled.sum("time")
    np.testing.assert_allclose(sums.isel(trace=1), 2 * sums.isel(trace=0))


def test_a_season_that_does_not_come_is_not_scaled_up(weather):
    """In a climate of frost exposure stays zero instead of becoming zero over zero."""
    birch = allergen("birch")
    cold = weather.assign({name: weather[name] - 40 for name in ("tas", "tasmin", "tasmax")})
    exposure = daily_exposure(cold, birch, season_rate(cold, birch))
    scaled = scaled_exposure(exposure, mean_season_total(exposure, birch))
    assert (scaled == 0).all()


def test_too_short_a_history_is_refused(weather):
    """Two seasons are no mean season; the sentence says how many are needed."""
    birch = allergen("birch")
    part = weather.sel(time=slice("2001-01-01", "2002-12-31"))
    exposure = daily_exposure(part, birch, season_rate(part, birch))
    with pytest.raises(ExposureError, match="needs 3 complete seasons; a place has 2"):
        mean_season_total(exposure, birch)


def test_weeks_add_up_their_days(weather):
    """A week holds its seven days from Monday on; a missing day makes it missing."""
    birch = allergen("birch")
    exposure = daily_exposure(weather, birch, season_rate(weather, birch))
    weeks = weekly_exposure(exposure)
    monday = pd.Timestamp("2010-04-12")
    assert monday.weekday() == 0
    days = exposure.sel(time=slice(monday, monday + pd.Timedelta(days=6)))
    np.testing.assert_allclose(weeks.sel(week=monday), days.sum("time"))
    gappy = exposure.where(exposure["time"] != monday)
    assert weekly_exposure(gappy).sel(week=monday).isnull().all()


def test_weather_without_wind_is_refused(weather):
    """The lacking variable is named."""
    with pytest.raises(ExposureError, match="lacks sfcWind"):
        release(weather.drop_vars("sfcWind"))


def test_rate_and_weather_of_other_days_are_refused(weather):
    """Days that do not match are an error, not an intersection."""
    birch = allergen("birch")
    rate = season_rate(weather, birch).isel(time=slice(1, None))
    with pytest.raises(ExposureError, match="the same days"):
        daily_exposure(weather, birch, rate)
