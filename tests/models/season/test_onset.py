import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import allergen
from models.season import FloweringOnset, OnsetError, indicator_shift
from models.season.hindcast import onset_hindcast, onset_hindcast_table
from sample_climate import FLOWERING_FILE, FOLDER


@pytest.fixture(scope="module")
def cherry(sample_flowering):
    return sample_flowering[sample_flowering["species"] == "cherry"]


@pytest.fixture(scope="module")
def fitted(sample_weather, cherry):
    return FloweringOnset().fit(sample_weather, cherry[cherry["date"].dt.year <= 2015])


def test_unseen_years_are_predicted_better_than_by_the_mean_date(sample_weather, sample_flowering):
    """The error of later years is at most three quarters of that of each station's mean date.

    Dates up to 2015 of seven stations are fitted, those of 2016 to 2024 predicted, for three
    species with one set-up.
    """
    hindcast = onset_hindcast(sample_weather, sample_flowering, last_training_year=2015)
    table = onset_hindcast_table(hindcast, seed=1)
    assert set(table.index) == {"cherry", "forsythia", "black locust"}
    assert (table["n"] >= 60).all()
    assert (table["ratio"] <= 0.75).all(), table


def test_weather_before_the_first_autumn_gives_no_date(fitted, sample_weather):
    """The weather begins on 1 January 2003, so the season 2003 is not known and later ones are."""
    onset = fitted.predict(sample_weather)
    assert onset.dims == ("region", "year")
    assert onset.sel(year=2003).isnull().all()
    assert onset.sel(year=slice(2004, 2024)).notnull().all()


def test_a_date_is_a_day_of_the_year(fitted, sample_weather, cherry):
    """Over all training dates, predictions and observations agree on average within a day."""
    onset = fitted.predict(sample_weather).to_series()
    past = cherry[cherry["date"].dt.year.between(2004, 2015)]
    keys = pd.MultiIndex.from_arrays([past["region"], past["date"].dt.year])
    difference = onset.reindex(keys).to_numpy() - past["date"].dt.day_of_year.to_numpy()
    assert abs(difference.mean()) < 1
    assert difference.std() < fitted.residual_sd_ * 1.2


def test_a_few_missing_days_are_bridged_and_many_are_not(fitted, sample_weather):
    """Five days missing in March move the date by hours; six leave it unknown, for that year."""
    whole = fitted.predict(sample_weather)

    def without(first, last):
        days = pd.date_range(first, last)
        return fitted.predict(sample_weather.where(~sample_weather["time"].isin(days)))

    bridged = without("2020-03-01", "2020-03-05")
    assert float(abs(bridged - whole).sel(year=2020).max()) < 1.5
    gap = without("2020-03-01", "2020-03-06")
    assert gap.sel(year=2020).isnull().all()
    xr.testing.assert_equal(gap.sel(year=[2019, 2021]), whole.sel(year=[2019, 2021]))


def test_more_than_5_percent_of_missing_days_give_no_date(fitted, sample_weather):
    """Single days missing here and there: 7 of some 180 are borne, 14 are not."""

    def without(every):
        days = pd.date_range("2019-10-05", "2020-03-15", freq=f"{every}D")
        return fitted.predict(sample_weather.where(~sample_weather["time"].isin(days)))

    assert without(24).sel(year=2020).notnull().all()
    assert without(12).sel(year=2020).isnull().all()


def test_missing_days_after_flowering_do_not_matter(fitted, sample_weather):
    """A gap in June cannot change a cherry that flowered in April."""
    days = pd.date_range("2020-06-01", "2020-06-20")
    gappy = sample_weather.where(~sample_weather["time"].isin(days))
    xr.testing.assert_equal(fitted.predict(gappy), fitted.predict(sample_weather))


def test_winter_without_end_has_no_flowering(fitted, sample_weather):
    """Held at frost the heat sum is never reached, so there is no date."""
    frozen = xr.full_like(sample_weather, -10.0)
    assert fitted.predict(frozen).isnull().all()


def test_a_warmer_spring_flowers_earlier(fitted, sample_weather):
    """Two degrees more from January on bring every date forward, by days and not weeks."""
    moment = sample_weather["time"]
    warm = sample_weather + 2.0 * (moment.dt.month <= 6)
    earlier = fitted.predict(sample_weather) - fitted.predict(warm)
    known = earlier.values[~np.isnan(earlier.values)]
    assert (known > 2).all()
    assert (known < 15).all()


def test_traces_are_predicted_one_by_one(fitted, sample_weather):
    """A leading dim is kept, and each of its members gives what it gives alone."""
    part = sample_weather.sel(time=slice("2018-10-01", "2020-06-30"))
    stack = xr.concat([part, part + 1.0], dim="trace")
    onset = fitted.predict(stack)
    assert onset.dims == ("trace", "region", "year")
    np.testing.assert_allclose(onset.isel(trace=0), fitted.predict(part), rtol=0, atol=1e-8)
    np.testing.assert_allclose(onset.isel(trace=1), fitted.predict(part + 1.0), rtol=0, atol=1e-8)


def test_the_southern_spring_is_half_a_year_later(fitted, sample_weather):
    """Seoul's autumn laid on a southern one flowers as many days after its start as in the north.

    Only the light differs: the first of April is some days further from its equinox than the
    first of October, which makes about eight minutes a day.
    """
    seoul = sample_weather.sel(region=["seoul"], time=slice("2018-10-01", "2019-08-31"))
    north = seoul.assign_coords(region=["north"])
    moved = seoul["time"].values + (np.datetime64("2019-04-01") - np.datetime64("2018-10-01"))
    south = seoul.assign_coords(time=moved, latitude=("region", [-37.57]), region=["south"])
    here, there = (float(fitted.predict(w).sel(year=2019).squeeze()) for w in (north, south))
    assert there - here == pytest.approx(182, abs=1.0)


def test_offsets_are_shrunken_means(fitted, sample_weather, cherry):
    """Move one station's dates by ten days: its offset takes most of it, the others' little."""
    late = cherry[cherry["date"].dt.year <= 2015].copy()
    at = late["region"] == "jeonju"
    late.loc[at, "date"] = late.loc[at, "date"] + pd.Timedelta(days=10)
    moved = FloweringOnset().fit(sample_weather, late)
    change = moved.offset_ - fitted.offset_
    assert 4 < float(change.sel(region="jeonju")) < 10
    assert float(abs(change.drop_sel(region="jeonju")).max()) < 3


def test_a_region_without_dates_has_no_offset(sample_weather, cherry):
    """Seoul left out of the dates is still predicted, nearly without offset, and less surely.

    Its nearest neighbour with dates lies some 190 km off, three times the distance of sharing.
    """
    elsewhere = cherry[(cherry["region"] != "seoul") & (cherry["date"].dt.year <= 2015)]
    model = FloweringOnset().fit(sample_weather, elsewhere)
    assert abs(float(model.offset_.sel(region="seoul"))) < 0.1
    assert model.predict(sample_weather).sel(region="seoul", year=2020).notnull()
    sd = model.predict_sd(sample_weather).sel(year=2015)
    assert float(sd.sel(region="seoul")) > 1.1 * float(sd.sel(region="jeonju"))


def test_a_model_kept_and_read_again_predicts_the_same(fitted, sample_weather):
    """Everything that predictions rest on is in the dataset."""
    again = FloweringOnset.from_dataset(fitted.to_dataset())
    xr.testing.assert_equal(again.predict(sample_weather), fitted.predict(sample_weather))
    xr.testing.assert_equal(again.offset_, fitted.offset_)
    assert again.residual_sd_ == fitted.residual_sd_


def test_fits_are_the_same_every_time(fitted, sample_weather, cherry):
    """Draws are seeded: a second fit gives the same bits."""
    again = FloweringOnset().fit(sample_weather, cherry[cherry["date"].dt.year <= 2015])
    xr.testing.assert_equal(again.predict(sample_weather), fitted.predict(sample_weather))


def test_one_impossible_date_moves_little(fitted, sample_weather, cherry):
    """A cherry of Seoul written down two months late moves other dates by hours only."""
    past = cherry[cherry["date"].dt.year <= 2015].copy()
    wrong = past.index[(past["region"] == "seoul") & (past["date"].dt.year == 2010)]
    past.loc[wrong, "date"] += pd.Timedelta(days=60)
    moved = FloweringOnset().fit(sample_weather, past).predict(sample_weather)
    change = abs(moved - fitted.predict(sample_weather)).sel(year=slice(2016, 2024))
    assert float(change.max()) < 1.5


def test_too_few_dates_are_refused(sample_weather, cherry):
    """Five dates are named as too few, with what is needed."""
    with pytest.raises(OnsetError, match=r"needs 12 flowering dates.*5 of 5 dates"):
        FloweringOnset().fit(sample_weather, cherry[cherry["date"].dt.year == 2010].head(5))


def test_dates_of_one_year_are_refused(sample_weather, cherry):
    """One year cannot say how dates follow the weather."""
    weather = xr.concat([sample_weather] * 2, dim="region")
    names = [f"place {number}" for number in range(weather.sizes["region"])]
    weather = weather.assign_coords(region=names)
    dates = pd.DataFrame({"region": names, "date": pd.Timestamp("2010-04-01")})
    with pytest.raises(OnsetError, match="at least two years"):
        FloweringOnset().fit(weather, dates)


def test_mixed_species_are_refused(sample_weather, sample_flowering):
    """The dates of three species at once are an error that names them."""
    with pytest.raises(OnsetError, match=r"one species at a time.*cherry"):
        FloweringOnset().fit(sample_weather, sample_flowering)


def test_an_allergen_borrows_half_of_its_indicators_offset(fitted):
    """Birch takes half of cherry's offset, an unknown region none, ragweed none at all."""
    regions = ["seoul", "elsewhere", "jeju"]
    shift = indicator_shift({"cherry": fitted}, allergen("birch"), regions)
    assert shift["region"].values.tolist() == regions
    assert float(shift.sel(region="jeju")) == pytest.approx(0.5 * fitted.offset_.sel(region="jeju"))
    assert float(shift.sel(region="elsewhere")) == 0
    assert (indicator_shift({"cherry": fitted}, allergen("ragweed"), regions) == 0).all()
    assert (indicator_shift({}, allergen("birch"), regions) == 0).all()


def test_a_plant_of_autumn_is_followed_from_march(sample_weather):
    """Cosmos, sown in spring, flowers from July to October: its dates of later years are found.

    A short-day plant keeps to the calendar, so the mean date is hard to beat: at most a tenth of
    its error may be lost on it.
    """
    dates = pd.read_csv(FOLDER / FLOWERING_FILE, parse_dates=["date"])
    cosmos = dates[(dates["species"] == "cosmos") & (dates["stage"] == "flowering")]
    model = FloweringOnset().fit(sample_weather, cosmos[cosmos["date"].dt.year <= 2015])
    assert model.first_day_ == "03-01"
    hindcast = onset_hindcast(sample_weather, cosmos, last_training_year=2015)
    table = onset_hindcast_table(hindcast, seed=1)
    assert table.loc["cosmos", "n"] >= 40
    assert table.loc["cosmos", "ratio"] <= 1.1
    again = FloweringOnset.from_dataset(model.to_dataset())
    xr.testing.assert_equal(again.predict(sample_weather), model.predict(sample_weather))


def test_an_update_with_the_same_dates_is_the_same_model(fitted, sample_weather, cherry):
    """Sets are kept, so the dates of the fit give its very offsets and predictions again."""
    again = fitted.updated(sample_weather, cherry[cherry["date"].dt.year <= 2015])
    xr.testing.assert_equal(again.predict(sample_weather), fitted.predict(sample_weather))
    more = fitted.updated(sample_weather, cherry)
    assert more.n_observations_ == fitted.n_observations_ + (cherry["date"].dt.year > 2015).sum()


def test_an_update_with_other_regions_is_refused(fitted, sample_weather, cherry):
    """Numbers of stations would mean others."""
    with pytest.raises(OnsetError, match="its own 7 regions"):
        fitted.updated(sample_weather.isel(region=slice(0, 3)), cherry)
