import numpy as np
import pandas as pd
import pytest

from models.season import FloweringOnset, OnsetError, onset_ahead
from models.season.blending import blending_weights, cut_before, error_variance, few_years
from models.season.in_season import InSeasonOnset

FIRST_OF_MARCH = 151  # days since 1 October, in a common year


@pytest.fixture(scope="module")
def past(sample_weather, sample_flowering):
    weather = sample_weather.sel(time=slice(None, "2019-12-31"))
    cherry = sample_flowering[sample_flowering["species"] == "cherry"]
    return weather, cherry[cherry["date"].dt.year <= 2019]


@pytest.fixture(scope="module")
def onset(past):
    return FloweringOnset().fit(*past)


@pytest.fixture(scope="module")
def in_march(past, onset):
    return InSeasonOnset(onset, issue_day=FIRST_OF_MARCH).fit(past[0])


def test_what_is_not_yet_known_plays_no_part(in_march, sample_weather):
    """Weather from the issue day on may be anything: the forecast of 2021 is the same."""
    until = sample_weather.sel(time=slice(None, "2021-06-30"))
    usual = in_march.predict(until, 2021)
    hot = until.where(until["time"] < np.datetime64("2021-03-01"), 30.0)
    np.testing.assert_array_equal(in_march.predict(hot, 2021).members, usual.members)
    warm = until.where(until["time"] < np.datetime64("2021-02-01"), 15.0)
    assert (in_march.predict(warm, 2021).quantile(0.5) < usual.quantile(0.5) - 2).all()


def test_the_spread_shrinks_as_the_season_nears(past, onset, in_march):
    """On 1 December less is known than on 1 March: the forecast is at least a tenth wider."""
    in_december = InSeasonOnset(onset, issue_day=61).fit(past[0])

    def width(forecast):
        left_out = forecast.left_out_
        return float(np.mean(left_out.quantile(0.9) - left_out.quantile(0.1)))

    assert width(in_march) < 0.9 * width(in_december)


def test_intervals_of_years_left_out_hold_what_they_say(in_march):
    """Of the seasons of training 76 to 84 % lie within the 80 % interval made without them.

    The shape of the errors is taken from these very seasons, so anything else would be a fault.
    """
    ahead, seen = in_march.left_out_, in_march.observed_
    inside = (ahead.quantile(0.1) <= seen) & (seen <= ahead.quantile(0.9))
    assert 0.76 <= inside.mean() <= 0.84


def test_weights_are_shares(in_march):
    """None below zero, sum one."""
    assert (in_march.weights_ >= 0).all()
    assert in_march.weights_.sum() == pytest.approx(1)


def test_regions_of_both_hemispheres_are_refused(onset, past):
    """Their seasons are half a year apart: one issue day cannot serve both."""
    both = past[0].assign_coords(latitude=past[0]["latitude"] * [1, 1, 1, 1, 1, 1, -1])
    with pytest.raises(OnsetError, match="one hemisphere"):
        InSeasonOnset(onset, issue_day=FIRST_OF_MARCH).fit(both)


def test_a_plant_seen_without_flowers_has_not_flowered(in_march, sample_weather):
    """Watched to 1 March in two regions: nothing lies before it there; elsewhere all is as it was.

    What is left runs over the upper part of the distribution: it is later, its top is the same.
    """
    until = sample_weather.sel(time=slice(None, "2021-02-28"))
    unwatched = in_march.predict(until, 2021)
    first = np.full(until.sizes["region"], np.nan)
    first[:2] = [130.0, 175.0]
    ahead = in_march.predict(until, 2021, not_before=first)
    np.testing.assert_array_equal(ahead.members[2:], unwatched.members[2:])
    np.testing.assert_array_equal(ahead.members[0], unwatched.members[0])
    assert unwatched.members[1].min() < 174.5 <= ahead.members[1].min()
    assert ahead.members[1].max() == pytest.approx(unwatched.members[1].max(), abs=0.5)
    assert (np.diff(ahead.members, axis=1) >= 0).all()


def test_a_plant_that_nobody_watches_may_have_flowered(onset, sample_weather, sample_flowering):
    """Ten days after the cherries of 2021: what weather says of a known spring, not "from now on".

    All but the highland's (observed by none that year) flowered from 17 to 26 March. On 5 April
    nearly all of each distribution lies before the day, and the middle within ten days of what
    was seen: the error of a hindcast is three to four.
    """
    day = np.datetime64("2021-04-05")
    ahead = onset_ahead(onset, sample_weather, origin=day)
    cherry = sample_flowering[sample_flowering["species"] == "cherry"]
    seen = cherry[cherry["date"].dt.year == 2021].set_index("region")["date"]
    date = ahead["date"].sel(region=seen.index.to_numpy())
    middle = date.isel(level=date.sizes["level"] // 2)
    off = (middle.values - seen.values) / np.timedelta64(1, "D")
    assert np.abs(off).max() < 10
    assert (date.isel(level=-10) < day).all()
    first = {str(seen.index[0]): np.datetime64("2021-04-01")}
    watched = onset_ahead(onset, sample_weather, origin=day, not_before=first)["date"]
    assert (watched.sel(region=seen.index[0]) >= np.datetime64("2021-03-31T12")).all()
    others = date["region"].values[1:]
    assert watched.sel(region=others).equals(date.sel(region=others))


def test_weather_that_ends_before_the_day_is_that_of_every_past_season_too(onset, sample_weather):
    """On 6 March without the weather of five days: the forecast of 1 March, and no other.

    Read as a season that alone is not known, the warmth before the day would not be carried on.
    """
    until = sample_weather.sel(time=slice(None, "2021-02-28"))
    late, then = (
        onset_ahead(onset, until, origin=np.datetime64(f"2021-03-0{day}")) for day in (6, 1)
    )
    assert late["date"].equals(then["date"])


def test_a_season_that_no_trace_reaches_is_said_to_be_unlikely(past, onset, sample_weather):
    """With the Siberian cold of every trace, the probability that it never comes is one."""
    cold = past[0] - 35.0
    forecast = InSeasonOnset(onset, issue_day=FIRST_OF_MARCH).fit(past[0])
    ahead = forecast.predict(cold, 2018)
    assert (ahead.never == 1).all()
    usual = forecast.predict(past[0], 2018)
    assert (usual.never == 0).all()


def test_too_late_a_day_is_refused(past, onset):
    """On 1 June every cherry of the record has flowered: nothing is to come, and it is said."""
    with pytest.raises(OnsetError, match="every plant of the record had flowered"):
        InSeasonOnset(onset, issue_day=243).fit(past[0])


def test_a_station_of_few_years_takes_none_from_the_others(in_march, sample_weather):
    """Eleven years of one station before 2021: the others' dates and spreads stay nearly the same.

    Nearly, as the share of warmth that lasts and the warming trend are learnt from all. With the
    eleven nearest years of seventeen for all, spreads would move by a tenth to a half.
    """
    until = sample_weather.sel(time=slice(None, "2021-02-28"))
    young = until["time"] < np.datetime64("2009-09-01")
    short = until.where(~(young & (until["region"] == until["region"][0])))
    usual, other = (in_march.predict(w, 2021) for w in (until, short))
    np.testing.assert_allclose(other.by_member[0][1:], usual.by_member[0][1:], atol=0.2)
    ratio = other.continued.variance[1:] / usual.continued.variance[1:]
    np.testing.assert_allclose(ratio, 1.0, atol=0.05)


def test_a_region_of_too_few_years_does_not_silence_the_others(onset, sample_weather):
    """Nine years before the season of 2021, where ten are asked for: that region is left out.

    Without years enough anywhere the whole is refused, and it is said how many are needed.
    """
    until = sample_weather.sel(time=slice(None, "2021-02-28"))
    young = until["time"] < np.datetime64("2011-09-01")
    short = until.where(~(young & (until["region"] == until["region"][2])))
    ahead = onset_ahead(onset, short, origin=np.datetime64("2021-03-01"))
    names = until["region"].values.tolist()
    assert ahead["region"].values.tolist() == names[:2] + names[3:]
    forecast = InSeasonOnset(onset, issue_day=FIRST_OF_MARCH).fit(until)
    with pytest.raises(OnsetError, match="weather of 10 earlier years"):
        forecast.predict(until.where(~young), 2021)


def test_regions_are_known_by_their_names(past, onset, in_march):
    """Weather that holds the regions in another order, or without one, gives the same dates.

    Without one nearly: what is shared is learnt from the others then.
    """
    turned = past[0].isel(region=slice(None, None, -1))
    forecast = InSeasonOnset(onset, issue_day=FIRST_OF_MARCH).fit(turned)
    usual = in_march.predict(past[0], 2018).quantile(0.5)
    np.testing.assert_allclose(forecast.predict(turned, 2018).quantile(0.5)[::-1], usual)
    fewer = past[0].isel(region=slice(1, None))
    forecast = InSeasonOnset(onset, issue_day=FIRST_OF_MARCH).fit(fewer)
    np.testing.assert_allclose(forecast.predict(fewer, 2018).quantile(0.5), usual[1:], atol=1.0)


def test_a_season_without_weather_is_refused(in_march, past):
    """A season that the weather does not reach into is named."""
    with pytest.raises(OnsetError, match="season 2030 needs weather"):
        in_march.predict(past[0], 2030)


def test_weights_are_drawn_to_the_member_that_was_right():
    """Observations equal to the second of three members: 0.2 of the way to (0, 1, 0).

    From (0.6, 0.4, 0): 0.8 times each, and 0.2 more for the second.
    """
    rng = np.random.default_rng(0)
    truth = rng.normal(100, 5, 50)
    members = truth + np.array([[1.0], [0.0], [1.0]]) * rng.normal(0, 5, (3, 50))
    weights = blending_weights(members, truth, np.ones(50))
    np.testing.assert_allclose(weights, [0.48, 0.52, 0.0], atol=1e-6)


def test_the_variance_of_errors_is_told_apart():
    """Squared errors of 4 + 2 V give a = 4 and b = 2."""
    variance = np.linspace(0, 10, 30)
    np.testing.assert_allclose(error_variance(4 + 2 * variance, variance), [4, 2])


def test_few_years_widen_a_forecast():
    """The variance of Student's t: 5 / 3 with five degrees of freedom, 30 / 28 with thirty."""
    assert few_years(6) == pytest.approx(5 / 3)
    assert few_years(31) == pytest.approx(30 / 28)


def test_cutting_a_distribution_leaves_its_upper_part():
    """Of ten equally likely days 0 to 9, those from 4.5 on are left: their median is 7.

    The cut at 4.5 has half of the probability before it; what is left runs from 4.5 to 9, and the
    quantile of 0.75 of the whole, day 7, is its median.
    """
    days = np.arange(10.0)[None]
    left = cut_before(days, 4.5)
    assert left.min() >= 4.5
    assert np.median(left) == pytest.approx(7.0, abs=0.3)
    np.testing.assert_array_equal(cut_before(days, -1.0), days)


def test_forecasts_are_the_same_every_time(past, onset, in_march):
    """Nothing is drawn: a second fit gives the same bits."""
    again = InSeasonOnset(onset, issue_day=FIRST_OF_MARCH).fit(past[0])
    ahead, before = again.predict(past[0], 2018), in_march.predict(past[0], 2018)
    np.testing.assert_array_equal(ahead.members, before.members)


def test_a_season_that_came_is_learnt_from(onset, in_march, sample_weather, sample_flowering):
    """All stations ten days later than foreseen in 2020: 2021 is expected later, by less than that.

    Offsets drift, so the last year counts for more than one of thirty. What was not observed is
    left out; a date before the issue day counts like any other.
    """
    until = sample_weather.sel(time=slice(None, "2020-12-31"))
    ahead = in_march.predict(until, 2020)
    cherry = sample_flowering[sample_flowering["species"] == "cherry"]
    cherry = cherry[cherry["date"].dt.year <= 2019]
    late = ahead.by_member[0] + 10.0
    dates = pd.Timestamp(2019, 10, 1) + pd.to_timedelta(np.round(late), unit="D")
    came = pd.DataFrame({"region": until["region"].values, "date": dates})
    hindcast = onset.updated(until, pd.concat([cherry[["region", "date"]], came]))
    usual, learnt = (
        one.predict(sample_weather, 2021).quantile(0.5)
        for one in (in_march, in_march.updated(hindcast, ahead, late))
    )
    assert ((learnt > usual + 0.3) & (learnt < usual + 10.0)).all()
    early = np.full(len(late), np.nan)
    early[0] = FIRST_OF_MARCH - 5
    assert len(in_march.updated(hindcast, ahead, early).observed_) == len(in_march.observed_) + 1


def test_other_parameter_sets_are_no_update(onset, in_march, sample_weather):
    """Predictors of one set of sets say nothing to a regression on those of another."""
    ahead = in_march.predict(sample_weather, 2020)
    stored = onset.to_dataset()
    other = FloweringOnset.from_dataset(stored.assign(sets=stored["sets"] * 1.01))
    with pytest.raises(OnsetError, match="same parameter sets"):
        in_march.updated(other, ahead, ahead.by_member[0])


@pytest.mark.long
def test_intervals_hold_on_seasons_that_were_never_seen(sample_weather, sample_flowering):
    """Dates up to 2013 of each of three plants; the 80 % intervals of 2014 to 2023 hold most.

    Some 70 seasons a plant from ten years share their weather: two thirds to nine tenths is what
    chance allows.
    """
    inside = []
    for species in ("cherry", "forsythia", "black locust"):
        dates = sample_flowering[sample_flowering["species"] == species]
        year = dates["date"].dt.year
        weather = sample_weather.sel(time=slice(None, "2013-12-31"))
        model = FloweringOnset().fit(weather, dates[year <= 2013])
        forecast = InSeasonOnset(model, issue_day=123).fit(weather)
        for season in range(2015, 2024):
            until = sample_weather.sel(time=slice(None, f"{season}-01-31"))
            ahead = forecast.predict(until, season)
            seen = dates[year == season].set_index("region")["date"]
            for number, region in enumerate(until["region"].values):
                if region in seen.index:
                    day = (seen[region] - pd.Timestamp(season - 1, 10, 1)).days
                    low, high = ahead.quantile(0.1)[number], ahead.quantile(0.9)[number]
                    inside.append(low <= day <= high)
    assert 0.65 < np.mean(inside) < 0.92
