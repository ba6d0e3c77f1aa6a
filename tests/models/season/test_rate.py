import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import allergen, catalogue
from models.season import SeasonError, season_dates, season_rate

PLANTS = [item.id for item in catalogue().values() if "onset_sum" in item.parameters]
CHILLED = [item.id for item in catalogue().values() if item.family == "chill then heat"]


def at(rate, day):
    return float(rate.sel(time=day).squeeze())


@pytest.mark.parametrize("identity", PLANTS)
def test_a_complete_season_sums_to_one_in_any_weather(weather, identity):
    """Each season adds up to one where autumn does not cut it short, and nowhere to more.

    Twenty-one invented years of two regions, five degrees warmer and as they are.
    """
    item = allergen(identity)
    warm = weather.assign({name: weather[name] + 5 for name in ("tas", "tasmin", "tasmax")})
    totals = season_dates(season_rate(warm, item), item)["total"]
    assert totals.sizes["year"] >= 20
    np.testing.assert_allclose(totals, 1.0, atol=1e-9)
    assert (season_dates(season_rate(weather, item), item)["total"] <= 1 + 1e-9).all()


def test_heat_releases_the_triangle_day_by_day(make_steady_weather, make_plant):
    """At 10 degC over base 0 a season between the sums 50 and 250 runs from 6 to 25 March.

    Each day adds 10 to the sum, so half is released by the 15th and an eighth by the 10th.
    """
    weather = make_steady_weather(first="2001-01-01", last="2001-12-31", warmth=10.0)
    rate = season_rate(weather, make_plant())
    assert at(rate, "2001-03-05") == 0
    assert at(rate, "2001-03-06") > 0
    assert float(rate.sel(time=slice(None, "2001-03-10")).sum()) == pytest.approx(0.125, abs=1e-6)
    assert float(rate.sel(time=slice(None, "2001-03-15")).sum()) == pytest.approx(0.5, abs=1e-6)
    assert at(rate, "2001-03-25") > 0
    assert at(rate, "2001-03-26") == 0


def test_each_heat_method_reads_its_own_temperature(make_steady_weather, make_plant):
    """With maxima of 10 over a mean of 0 the season of a rule on maxima comes, one on means not."""
    weather = make_steady_weather(first="2001-01-01", last="2001-12-31", warmth=0.0)
    weather["tasmax"] = weather["tasmax"] + 10.0
    weather["tasmin"] = weather["tasmin"] - 10.0
    on_means = season_rate(weather, make_plant(heat_method="mean"))
    on_maxima = season_rate(weather, make_plant(heat_method="maximum"))
    on_sine = season_rate(weather, make_plant(heat_method="sine"))
    assert float(on_means.sum()) == 0
    assert at(on_maxima, "2001-03-06") > 0
    # A sine of amplitude 10 about the base brings 10/pi = 3.18 a day: 50 is passed on the 16th.
    assert at(on_sine, "2001-03-15") == 0
    assert at(on_sine, "2001-03-16") > 0


def test_seasons_start_anew_each_year(make_steady_weather, make_plant):
    """The second year's season is the first one's again: nothing is carried over."""
    weather = make_steady_weather(first="2001-01-01", last="2002-12-31")
    rate = season_rate(weather, make_plant()).squeeze()
    first, second = rate.sel(time="2001").values, rate.sel(time="2002").values
    np.testing.assert_array_equal(first, second)


def test_a_season_that_never_comes_is_zero_and_undated(make_steady_weather, make_plant):
    """In a year without warmth the rate is zero, not garbage, and dates are not a time."""
    weather = make_steady_weather(first="2001-01-01", last="2002-12-31", warmth=-5.0)
    rate = season_rate(weather, make_plant())
    assert float(abs(rate).sum()) == 0
    dates = season_dates(rate, make_plant())
    assert dates["start"].isnull().all()
    assert dates["end"].isnull().all()
    assert (dates["total"] == 0).all()


@pytest.mark.parametrize("identity", PLANTS)
def test_the_southern_season_is_the_northern_half_a_year_later(weather, identity):
    """The same weather half a year later at the mirrored latitude gives the same season.

    Half years are 181 to 184 days long and the sun's declination is not quite symmetric, hence a
    tolerance of four days.
    """
    item = allergen(identity)
    north = weather.isel(region=[0]).sel(time=slice("2003-01-01", "2008-12-31"))
    moved = [pd.Timestamp(day) + pd.Timedelta(days=183) for day in north["time"].values]
    south = north.assign_coords(time=moved, latitude=("region", -north["latitude"].values))
    there = season_dates(season_rate(south, item), item)
    here = season_dates(season_rate(north, item), item)
    for name in ("start", "end"):
        first_here, first_there = (
            np.sort(found[name].values.ravel()[found[name].notnull().values.ravel()])
            for found in (here, there)
        )
        n = min(len(first_here), len(first_there))
        assert n >= 4
        behind = (first_there[-n:] - first_here[-n:]) / np.timedelta64(1, "D")
        assert np.abs(behind - 183).max() <= 4


def test_a_season_across_new_year_is_one_season(make_steady_weather, make_plant):
    """Started on 20 December at 10 a day it runs from 25 December to 13 January, whole."""
    weather = make_steady_weather(first="2000-12-01", last="2002-12-01")
    plant = make_plant(start="12-20", window=60)
    dates = season_dates(season_rate(weather, plant), plant).squeeze("region").sel(year=2000)
    assert float(dates["total"]) == pytest.approx(1.0)
    assert dates["start"].values < np.datetime64("2001-01-01") < dates["end"].values


def test_a_short_gap_is_bridged(make_steady_weather, make_plant):
    """Three missing days between equal neighbours change nothing."""
    whole = make_steady_weather(first="2001-01-01", last="2001-12-31")
    gappy = whole.where(~whole["time"].isin(pd.date_range("2001-03-03", "2001-03-05")))
    xr.testing.assert_equal(season_rate(gappy, make_plant()), season_rate(whole, make_plant()))


def test_after_a_long_gap_the_season_is_unknown_until_it_must_be_over(
    make_steady_weather, make_plant
):
    """Ten missing days leave the rate unknown until the known days alone end the season.

    At 10 a day the 25th known day, 4 April, brings the known part of the sum to the end at 250.
    """
    whole = make_steady_weather(first="2001-01-01", last="2002-12-31")
    gappy = whole.where(~whole["time"].isin(pd.date_range("2001-03-03", "2001-03-12")))
    rate = season_rate(gappy, make_plant(window=120)).squeeze()
    assert (rate.sel(time=slice("2001-01-01", "2001-03-02")) == 0).all()
    assert rate.sel(time=slice("2001-03-03", "2001-04-04")).isnull().all()
    assert (rate.sel(time=slice("2001-04-05", "2002-03-05")) == 0).all()
    assert float(rate.sel(time="2002").sum()) == pytest.approx(1.0)


def test_a_gap_after_the_season_does_no_harm(make_steady_weather, make_plant):
    """Once the season is over, missing weather cannot bring it back: the rate is known to be 0."""
    whole = make_steady_weather(first="2001-01-01", last="2001-12-31")
    gappy = whole.where(~whole["time"].isin(pd.date_range("2001-04-10", "2001-04-30")))
    xr.testing.assert_equal(season_rate(gappy, make_plant()), season_rate(whole, make_plant()))


def test_a_record_that_begins_within_a_season_does_not_know_it(make_steady_weather, make_plant):
    """The sum before the first day is not known, so that season is not, either."""
    weather = make_steady_weather(first="2001-03-10", last="2002-12-31")
    rate = season_rate(weather, make_plant(window=30)).squeeze()
    assert rate.sel(time=slice("2001-03-10", "2001-03-30")).isnull().all()
    assert (rate.sel(time=slice("2001-03-31", "2001-12-31")) == 0).all()


def test_leading_dims_are_worked_out_one_by_one(weather):
    """A stack of traces gives what each trace gives alone, in the dims it came in."""
    birch = allergen("birch")
    part = weather.sel(time=slice("2003-01-01", "2004-12-31"))
    warm = part.assign({name: part[name] + 2 for name in ("tas", "tasmin", "tasmax")})
    stack = xr.concat([part, warm], dim="trace").transpose("trace", "region", "time")
    rate = season_rate(stack, birch)
    assert rate.dims == ("trace", "region", "time")
    for number, single in enumerate((part, warm)):
        np.testing.assert_array_equal(rate.isel(trace=number), season_rate(single, birch))


@pytest.mark.parametrize("identity", [plant for plant in PLANTS if plant not in CHILLED])
def test_more_warmth_never_delays_a_season(weather, identity):
    """Two degrees more on every day bring each year's start no later."""
    item = allergen(identity)
    warm = weather.assign({name: weather[name] + 2 for name in ("tas", "tasmin", "tasmax")})
    usual = season_dates(season_rate(weather, item), item)["start"]
    earlier = season_dates(season_rate(warm, item), item)["start"]
    assert (earlier <= usual).all()
    assert (earlier < usual).any()


def test_a_shift_moves_the_season_by_its_days(weather):
    """Three days later for one region, a day and a half earlier for the other."""
    birch = allergen("birch")
    shift = xr.DataArray([3.0, -1.5], dims="region", coords={"region": weather["region"]})
    plain, moved = season_rate(weather, birch), season_rate(weather, birch, shift_days=shift)
    days = np.arange(weather.sizes["time"])
    behind = (moved * days).sum("time") - (plain * days).sum("time")
    seasons = plain.sum("time")
    np.testing.assert_allclose(behind / seasons, [3.0, -1.5], atol=1e-9)


def test_a_shift_that_names_another_region_is_refused(weather):
    """An offset lacking for a region is an error, never a silent zero."""
    shift = xr.DataArray([1.0], dims="region", coords={"region": ["north"]})
    with pytest.raises(SeasonError, match="does not name every region"):
        season_rate(weather, allergen("birch"), shift_days=shift)


def test_a_short_day_weed_counts_full_days_in_the_tropics(make_steady_weather):
    """At 20 N and 31.7 degC half of the ragweed has begun 38 days after the longest day.

    No day there is longer than 14 h, so each counts whole.
    """
    weather = make_steady_weather(first="2001-01-01", last="2001-12-31", warmth=31.7, latitude=20.0)
    ragweed = allergen("ragweed")
    widest = 1 + ragweed.number("fuzziness_in")
    rate = season_rate(weather, ragweed).squeeze()
    started = pd.Timestamp(rate["time"].values[rate.values > 0][0])
    begin = pd.Timestamp("2001-06-21")
    assert (started - begin).days == int(38 * (1 - ragweed.number("fuzziness_in")))
    # The rate is at its full height from 38 (1 + d) days on, half of it at 38.
    full = float(rate.sel(time=begin + pd.Timedelta(days=int(38 * widest) + 1)))
    half = float(rate.sel(time=begin + pd.Timedelta(days=37)))
    assert half == pytest.approx(full / 2, rel=0.12)


def test_longer_days_hold_a_short_day_weed_back(make_steady_weather):
    """In equal warmth ragweed begins later the farther north, and not at all at 65 N."""
    starts = []
    for latitude in (20.0, 40.0, 50.0):
        weather = make_steady_weather(
            first="2001-01-01", last="2001-12-31", warmth=25.0, latitude=latitude
        )
        found = season_dates(season_rate(weather, allergen("ragweed")), allergen("ragweed"))
        starts.append(found["start"].values.squeeze())
    assert starts[0] < starts[1] < starts[2]


def test_a_mould_follows_the_warmth_of_the_weeks_behind(make_steady_weather):
    """At its middle temperature the index is a half; a step in warmth is felt over its memory."""
    mould = allergen("alternaria")
    middle, total = mould.number("middle"), mould.number("yearly_total")
    weather = make_steady_weather(first="2001-01-01", last="2001-12-31", warmth=middle)
    np.testing.assert_allclose(season_rate(weather, mould), 0.5 / total)
    weather["tas"] = weather["tas"].where(weather["time"] < np.datetime64("2001-07-01"), middle + 8)
    rate = season_rate(weather, mould).squeeze()
    memory = int(mould.number("memory"))
    step = np.datetime64("2001-07-01")
    on_the_way = rate.sel(time=slice(step, step + np.timedelta64(memory - 1, "D")))
    assert (on_the_way.diff("time") > 0).all()
    settled = rate.sel(time=slice(step + np.timedelta64(memory - 1, "D"), None))
    steepness = 8 / mould.number("steepness")
    np.testing.assert_allclose(settled, 1 / (1 + np.exp(-steepness)) / total)


def test_a_mould_on_a_missing_day_is_unknown(make_steady_weather):
    """A long gap leaves its own days unknown, and the days after it until half the memory is held.

    With a memory of 28 days and 20 missing ones the days before the gap have left the memory when
    those after it number 14: the mean is stated again on 3 June.
    """
    weather = make_steady_weather(first="2001-01-01", last="2001-12-31")
    gap = pd.date_range("2001-05-01", "2001-05-20")
    gappy = weather.where(~weather["time"].isin(gap))
    unknown = season_rate(gappy, allergen("alternaria")).squeeze().isnull()
    days = pd.DatetimeIndex(unknown["time"].values[unknown.values])
    assert (days[0], days[-1]) == (gap[0], pd.Timestamp("2001-06-02"))
    assert len(days) == 20 + 13


def test_weather_without_latitude_is_refused(weather):
    """Without latitude there is no hemisphere and no day length; the sentence says what to add."""
    with pytest.raises(SeasonError, match="add a coordinate 'latitude'"):
        season_rate(weather.drop_vars("latitude"), allergen("birch"))


def test_a_lacking_variable_is_named(weather):
    """Oak needs the daily extremes; what is held instead is listed."""
    with pytest.raises(SeasonError, match=r"Oak pollen needs tasmin.*holds.*tas"):
        season_rate(weather.drop_vars("tasmin"), allergen("oak"))
