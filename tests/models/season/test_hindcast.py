import numpy as np
import pandas as pd
import pytest

from models.season.hindcast import onset_hindcast, onset_hindcast_table


def invented(model_error, mean_error, years=range(2001, 2011)):
    rows = [
        {
            "species": "cherry",
            "region": region,
            "year": year,
            "observed": 100.0,
            "model": 100.0 + model_error(year),
            "mean_date": 100.0 + mean_error(year),
        }
        for year in years
        for region in ("a", "b")
    ]
    return pd.DataFrame(rows)


def test_errors_are_root_mean_squares_and_their_ratio():
    """Errors of 3 and 4 days have a root mean square of 3.5355; over one of 5 days it is 0.7071."""
    table = onset_hindcast_table(invented(lambda y: 3 + (y > 2005), lambda y: 5), seed=1)
    row = table.loc["cherry"]
    assert row["n"] == 20
    assert row["rmse_model"] == pytest.approx(np.sqrt((9 + 16) / 2))
    assert row["rmse_mean_date"] == pytest.approx(5)
    assert row["ratio"] == pytest.approx(np.sqrt(12.5) / 5)
    assert row["low"] < row["ratio"] < row["high"]


def test_the_interval_is_paired():
    """Resampling years cannot move a ratio that is a half in each of them."""
    table = onset_hindcast_table(invented(lambda y: y - 2000, lambda y: 2 * (y - 2000)), seed=1)
    np.testing.assert_allclose(table.loc["cherry", ["low", "ratio", "high"]].astype(float), 0.5)


def test_dates_without_a_prediction_are_counted_apart():
    """A missing model date enters neither error, and is reported."""
    hindcast = invented(lambda y: np.nan if y == 2001 else 1, lambda y: 100 if y == 2001 else 2)
    row = onset_hindcast_table(hindcast, seed=1).loc["cherry"]
    assert (row["n"], row["without_date"]) == (18, 2)
    assert row["rmse_mean_date"] == pytest.approx(2)


def test_a_hindcast_sees_nothing_of_later_years(sample_weather, sample_flowering):
    """Changing every later date, and the weather after the predicted season, changes nothing."""
    cherry = sample_flowering[sample_flowering["species"] == "cherry"]
    usual = onset_hindcast(sample_weather, cherry, last_training_year=2015)
    later = cherry["date"].dt.year > 2015
    other = cherry.assign(date=cherry["date"].where(~later, cherry["date"] + pd.Timedelta(days=30)))
    hotter = sample_weather.where(sample_weather["time"] < np.datetime64("2017-07-01"), 25.0)
    changed = onset_hindcast(hotter, other, last_training_year=2015)
    first = usual["year"] <= 2017
    np.testing.assert_array_equal(usual["model"][first], changed["model"][first])
    np.testing.assert_array_equal(usual["mean_date"], changed["mean_date"])
