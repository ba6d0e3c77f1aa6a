from datetime import date

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.weeks import monday_of, mondays, phase, week_of_year, week_range, weekly


@pytest.mark.parametrize(
    ("day", "monday"),
    [
        (date(2023, 3, 1), date(2023, 2, 27)),
        (date(2023, 2, 27), date(2023, 2, 27)),
        (date(2023, 3, 5), date(2023, 2, 27)),
        (date(2024, 12, 31), date(2024, 12, 30)),
        (date(1969, 12, 31), date(1969, 12, 29)),
    ],
)
def test_a_week_is_named_by_its_monday(day, monday):
    """ISO 8601 weeks start on Monday, also across New Year and before 1970."""
    assert monday_of(day) == monday
    assert mondays(np.array([day], dtype="datetime64[D]"))[0] == np.datetime64(monday)


def test_mondays_agree_with_the_calendar_of_pandas():
    """Every day of 30 years falls into the week that pandas' weekday gives."""
    days = pd.date_range("1995-01-01", "2024-12-31")
    expected = (days - pd.to_timedelta(days.day_of_week, unit="D")).values.astype("datetime64[D]")
    assert (mondays(days) == expected).all()


def test_week_of_year_follows_the_thursday_and_has_no_53rd():
    """2020 has 53 ISO weeks; the last one joins the 52nd, and New Year belongs to its Thursday."""
    weeks = week_range(date(2019, 12, 30), 54)
    number = week_of_year(weeks)
    assert number[0] == 0
    assert number.max() == 51
    assert week_of_year(week_range(date(2020, 12, 28), 1))[0] == 51


def test_phase_grows_through_the_year():
    """The phase rises from week to week and stays inside the year."""
    place = phase(week_range(date(2021, 1, 4), 51))
    assert (np.diff(place) > 0).all()
    assert place[0] > 0
    assert place[-1] < 1


def test_weekly_sums_only_complete_weeks():
    """Days before the first Monday and after the last Sunday are left out."""
    time = pd.date_range("2023-03-03", "2023-03-21")  # a Friday to a Tuesday
    daily = xr.DataArray(np.arange(len(time), dtype=float), dims="time", coords={"time": time})
    result = weekly(daily, "sum")
    assert list(result["week"].values.astype("datetime64[D]").astype(str)) == [
        "2023-03-06",
        "2023-03-13",
    ]
    assert result.values.tolist() == [3 + 4 + 5 + 6 + 7 + 8 + 9, 10 + 11 + 12 + 13 + 14 + 15 + 16]


def test_weekly_passes_a_missing_day_on():
    """A week with a missing day is missing, never a smaller sum."""
    time = pd.date_range("2023-03-06", periods=14)
    daily = xr.DataArray(np.ones(14), dims="time", coords={"time": time})
    daily[3] = np.nan
    assert np.isnan(weekly(daily, "sum")[0])
    assert weekly(daily, "mean")[1] == 1


def test_weekly_refuses_a_series_with_days_left_out():
    """A gap in the calendar would silently shift every later week."""
    time = pd.DatetimeIndex(["2023-03-06", "2023-03-08"])
    with pytest.raises(ValueError, match="days left out"):
        weekly(xr.DataArray([1.0, 2.0], dims="time", coords={"time": time}), "sum")
