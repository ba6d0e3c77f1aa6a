import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.season import season_dates

# Twenty-eight days, sum 302: 5 % of it is 15.1, 95 % is 286.9.
COUNTS = [0, 2, 3, 0, 4, 7, 2, 9, 12, 5, 20, 55, 60, 52, 30, 8, 2, 5, 9, 3, 1, 4, 3, 3, 0, 3, 0, 0]


@pytest.fixture
def counts():
    time = pd.date_range("2001-03-01", periods=len(COUNTS))
    return xr.DataArray(
        [COUNTS], dims=("region", "time"), coords={"time": time, "latitude": 40.0}
    ).astype(float)


def day_number(date):
    return int((date.values.item() - np.datetime64("2001-02-28", "ns").item()) / 86400e9)


def test_start_and_end_are_the_5_and_95_percent_days(counts, make_plant):
    """Day 6 brings the running sum from 9 to 16, over 15.1; day 20 from 285 to 288, over 286.9."""
    dates = season_dates(counts, make_plant(window=28)).sel(year=2001)
    assert np.cumsum(COUNTS)[[4, 5, 18, 19]].tolist() == [9, 16, 285, 288]
    assert day_number(dates["start"]) == 6
    assert day_number(dates["end"]) == 20
    assert dates["total"].item() == 302
    assert day_number(dates["closes"]) == 28  # the last of its 28 days


def test_the_peak_is_the_middle_of_the_richest_seven_days(counts, make_plant):
    """Days 9 to 15 hold 234, more than 10 to 16 (230) or 8 to 14 (213): their middle is day 12."""
    assert [sum(COUNTS[k : k + 7]) for k in (7, 8, 9)] == [213, 234, 230]
    dates = season_dates(counts, make_plant(window=28)).sel(year=2001)
    assert day_number(dates["peak"]) == 12


def test_a_window_cut_off_by_the_axis_is_no_season(counts, make_plant):
    """With a window longer than the series nothing can be dated."""
    assert season_dates(counts, make_plant(window=29)).sizes["year"] == 0


def test_a_missing_day_leaves_the_season_undated(counts, make_plant):
    """An unknown day may hold anything, so neither dates nor total are stated."""
    dates = season_dates(counts.where(counts != 60), make_plant(window=28)).sel(year=2001)
    assert dates["start"].isnull().all()
    assert dates["peak"].isnull().all()
    assert dates["total"].isnull().all()
    assert day_number(dates["closes"]) == 28  # when it closes is known all the same
