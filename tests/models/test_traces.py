import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.traces import TraceError, continue_with_past_years, warming_slopes

ORIGIN = np.datetime64("2021-03-01")


def test_history_is_the_same_in_every_trace_and_true(weather):
    """Up to the origin each trace holds what was observed."""
    traces = continue_with_past_years(weather, ORIGIN, days=30, history_days=60)
    before = traces["tas"].sel(time=traces["time"] < ORIGIN)
    observed = weather["tas"].sel(time=before["time"])
    assert before.sizes["time"] == 60
    assert np.array_equal(before.values, np.broadcast_to(observed.values, before.shape))


def test_donors_lend_the_same_calendar_days(weather):
    """Without the warming shift, the trace of 2015 holds the weather of 2015."""
    traces = continue_with_past_years(weather, ORIGIN, days=60, warming=False, lasting=False)
    donor = list(traces["donor_year"].values).index(2015)
    lent = weather["pr"].sel(time=slice("2015-03-01", "2015-04-29"))
    assert np.array_equal(traces["pr"].isel(trace=donor).values, lent.values)


def test_nothing_after_the_origin_is_read(weather):
    """Poison from the origin on changes no trace."""
    poisoned = weather.where(weather["time"] < ORIGIN, 1e6)
    clean = continue_with_past_years(weather, ORIGIN, days=300, history_days=100)
    assert clean.equals(continue_with_past_years(poisoned, ORIGIN, days=300, history_days=100))


def test_a_leap_day_ahead_takes_the_28th_of_a_common_donor_year(weather):
    """29 February 2020 asks a donor of 2019 for 28 February."""
    origin = np.datetime64("2020-02-27")
    traces = continue_with_past_years(weather, origin, days=5, warming=False, lasting=False)
    donor = list(traces["donor_year"].values).index(2019)
    leap = traces["hurs"].isel(trace=donor).sel(time="2020-02-29")
    assert np.array_equal(leap.values, weather["hurs"].sel(time="2019-02-28").values)


def test_traces_run_over_new_year(weather):
    """A trace from October holds its donor's next January."""
    origin = np.datetime64("2020-10-01")
    traces = continue_with_past_years(weather, origin, days=200, warming=False, lasting=False)
    donor = list(traces["donor_year"].values).index(2010)
    january = traces["tas"].isel(trace=donor).sel(time="2021-01-15")
    assert np.array_equal(january.values, weather["tas"].sel(time="2011-01-15").values)


def test_a_donor_must_lie_wholly_before_the_origin(weather):
    """A year-long trace never borrows from days on or after the origin."""
    traces = continue_with_past_years(weather, ORIGIN, days=365)
    assert traces["donor_year"].max() == 2020
    assert traces["donor_year"].min() == 2001


def test_too_short_a_past_is_refused_in_a_sentence(make_weather):
    """Fewer than 15 donor years are no spread of weather."""
    short = make_weather(first="2010-01-01", last="2021-02-28")
    with pytest.raises(TraceError, match="need 15 complete past years"):
        continue_with_past_years(short, ORIGIN, days=30)


def test_a_year_full_of_gaps_lends_nothing(weather):
    """A donor year with more than 5 % missing days is passed over."""
    holed = weather.where(weather["time"].dt.year != 2012)
    traces = continue_with_past_years(holed, ORIGIN, days=100)
    assert 2012 not in traces["donor_year"].values


def test_warming_moves_old_donors_by_the_trend(make_weather):
    """A planted trend of 0.1 degC a year is found, and a donor is moved by trend times age."""
    weather = make_weather(first="2000-01-01", last="2021-02-28", seed=3)
    years = weather["time"].dt.year - 2000 + weather["time"].dt.dayofyear / 365.25
    warm = weather.assign({v: weather[v] + 0.1 * years for v in ("tas", "tasmin", "tasmax")})
    slopes = warming_slopes(warm)
    # the yearly mean of 20 years of noise has a standard error far below 0.02
    assert slopes.mean() == pytest.approx(0.1, abs=0.02)
    moved = continue_with_past_years(warm, ORIGIN, days=100, lasting=False)
    still = continue_with_past_years(warm, ORIGIN, days=100, warming=False, lasting=False)
    donor = list(moved["donor_year"].values).index(2005)
    shift = (moved["tas"] - still["tas"]).isel(trace=donor).sel(time="2021-04-10")
    assert shift.values == pytest.approx(16 * slopes[3])
    assert moved["pr"].equals(still["pr"])


def test_warmth_before_the_origin_is_carried_on_and_fades():
    """Years warmer by A before 1 March go on warmer by 0.4 A, fading; 2021 begins 6 K too warm.

    Twenty years are known and ten in doubt: 0.4 x 20 / 30 of how much warmer it was than the donor
    is added on the first day, 1/e of that 45 days on.
    """
    time = pd.date_range("2000-10-01", "2021-02-28")
    lead = np.array([(day - pd.Timestamp(day.year, 3, 1)).days for day in time])
    warm = dict(zip(range(2001, 2021), np.random.default_rng(1).normal(0, 2, 20), strict=True))
    warm |= {2021: 6.0 + np.mean(list(warm.values())), 2000: 0.0}
    more = np.array([warm[year] for year in time.year])
    tas = 10.0 + np.where((lead >= -30) & (lead < 0), more, 0.0)
    tas += np.where((lead >= 0) & (lead < 200), 0.4 * more * np.exp(-lead / 45.0), 0.0)
    weather = xr.Dataset({"tas": (("region", "time"), tas[None])}, {"region": ["a"], "time": time})
    traces, bare = (
        continue_with_past_years(weather, ORIGIN, days=100, warming=False, lasting=is_on)["tas"]
        for is_on in (True, False)
    )
    donor = list(traces["donor_year"].values).index(2019)
    moved = (traces - bare).isel(trace=donor, region=0)
    excess = warm[2021] - warm[2019]
    assert float(moved[0]) == pytest.approx(0.4 * 20 / 30 * excess, rel=0.03)
    assert float(moved[45] / moved[0]) == pytest.approx(1 / np.e)


def test_warmth_that_is_not_known_is_not_carried_on(weather):
    """Two days of February 2021 are missing in the north: there traces are the donors' weather."""
    holed = weather.copy(deep=True)
    holed["tas"].loc[{"region": "north", "time": slice("2021-02-10", "2021-02-11")}] = np.nan
    traces, bare = (
        continue_with_past_years(holed, ORIGIN, days=30, lasting=is_on)["tas"]
        for is_on in (True, False)
    )
    assert traces.sel(region="north").equals(bare.sel(region="north"))


def test_a_warmer_region_that_joins_late_is_no_warming():
    """Both regions warm by 0.05 K a year, one is 8 K warmer and begins after half of the record.

    Averaged as they stand the two would seem to warm by some 0.3 K a year.
    """
    time = pd.date_range("2000-01-01", "2019-12-31")
    warming = 0.05 * (time.year.to_numpy() - 2000.0)
    tas = np.stack([10.0 + warming, 18.0 + warming])
    tas[1, time < "2010-01-01"] = np.nan
    weather = xr.Dataset({"tas": (("region", "time"), tas)}, {"region": ["a", "b"], "time": time})
    # January and December are smoothed with the neighbouring year's months: a third of a step off
    np.testing.assert_allclose(warming_slopes(weather), 0.05, atol=0.004)


def test_equal_past_years_give_no_spread(weather):
    """A past of identical years has one future."""
    year = weather.sel(time=slice("2001-01-01", "2001-12-31"))
    day = np.minimum(weather["time"].dt.dayofyear.values, 365) - 1
    same = year.isel(time=day).assign_coords(time=weather["time"])
    traces = continue_with_past_years(same, ORIGIN, days=250, warming=False, lasting=False)
    common = traces.sel(time=slice("2021-03-01", "2021-11-01"))
    # leap years shift the calendar by one day against the day of the year: compare common years
    common = common.isel(trace=~np.isin(common["donor_year"].values % 4, [0]))
    assert float(common["tas"].std("trace").max()) == pytest.approx(0, abs=1e-9)


def test_a_long_gap_before_the_origin_takes_each_donor_s_weather(weather):
    """Ten days of February 2021 without temperature: the trace of 2015 has those of 2015 there.

    With warming the donor's days are moved as those ahead are; what was observed is left alone.
    """
    gap = slice("2021-02-10", "2021-02-19")
    holed = weather.copy(deep=True)
    holed["tas"].loc[{"region": "north", "time": gap}] = np.nan
    still, moved = (
        continue_with_past_years(holed, ORIGIN, days=30, history_days=60, warming=w, lasting=w)
        for w in (False, True)
    )
    donor = list(still["donor_year"].values).index(2015)
    lent = weather["tas"].sel(region="north", time=slice("2015-02-10", "2015-02-19")).values
    found = still["tas"].isel(trace=donor).sel(region="north", time=gap).values
    np.testing.assert_array_equal(found, lent)
    shift = 6 * warming_slopes(holed.sel(time=holed["time"] < ORIGIN))[1]
    warmer = moved["tas"].isel(trace=donor).sel(region="north", time=gap).values
    np.testing.assert_allclose(warmer - lent, shift, atol=1e-9)
    for traces in (still, moved):
        history = traces.sel(time=slice(None, "2021-02-28"))
        observed = weather["tas"].sel(time=history["time"])
        kept = history["tas"].isel(trace=donor).sel(region="south")
        np.testing.assert_array_equal(kept.values, observed.sel(region="south").values)
        np.testing.assert_array_equal(*(history["hurs"].isel(trace=n).values for n in (0, donor)))
