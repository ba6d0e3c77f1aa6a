import pandas as pd
import pytest

from models.season.years import SeasonError, daily_axis, season_start, season_windows


def test_a_window_in_the_north_begins_on_its_day():
    """A window of ten days from 1 March covers the days 1 to 10 March of each year."""
    days = pd.date_range("2001-01-01", "2002-12-31")
    windows = season_windows(days, "03-01", 10, southern=False)
    assert [window.year for window in windows] == [2001, 2002]
    assert days[windows[0].first] == pd.Timestamp("2001-03-01")
    assert days[windows[0].stop - 1] == pd.Timestamp("2001-03-10")


@pytest.mark.parametrize(
    ("start", "begin"),
    [("03-01", "2001-09-01"), ("06-21", "2001-12-21"), ("10-01", "2002-04-01")],
)
def test_in_the_south_the_same_season_begins_six_months_later(start, begin):
    """1 March becomes 1 September, and a start after June falls into the next year."""
    assert season_start(2001, start, southern=True) == pd.Timestamp(begin)


def test_a_window_that_began_before_the_axis_is_still_found():
    """A season running over New Year into the first day of the axis has a negative position."""
    days = pd.date_range("2001-01-01", "2001-06-30")
    (window,) = season_windows(days, "12-01", 60, southern=False)
    assert (window.year, window.first) == (2000, -31)


def test_left_out_days_are_refused_with_the_place():
    """A missing calendar day would silently lose its warmth, so it is an error."""
    days = pd.DatetimeIndex(["2001-01-01", "2001-01-02", "2001-01-05"])
    field = pd.Series(1.0, index=days).rename_axis("time").to_xarray()
    with pytest.raises(SeasonError, match="2001-01-02 is followed by 2001-01-05"):
        daily_axis(field)


def test_a_start_that_is_no_day_is_refused():
    """30 February names itself and the form that is wanted."""
    with pytest.raises(SeasonError, match=r"'02-30'.*MM-DD"):
        season_start(2001, "02-30", southern=False)
