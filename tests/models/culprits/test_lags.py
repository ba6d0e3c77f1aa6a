from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.culprits import CulpritError
from models.culprits.lags import before_visit, daily, lag_windows, smeared, visit_delay, window_mean
from models.parameters import load_table


def test_the_wait_is_a_distribution_about_the_tables_mean():
    """Whole days lie half a day before the wait they stand for; the cut at 28 days costs little."""
    delay = visit_delay()
    mean = load_table("models.culprits", "culprits.toml").number("visit_delay.mean")
    assert delay.sum() == pytest.approx(1.0)
    assert (delay @ np.arange(delay.size)) + 0.5 == pytest.approx(mean, abs=0.5)


def test_windows_do_not_overlap():
    """Each day before the itch is in one lag at most."""
    days = [day for first, last in lag_windows() for day in range(first, last + 1)]
    assert len(days) == len(set(days))


def test_a_window_is_the_mean_of_days_before():
    """On day 3, the window from 1 to 2 days before holds days 2 and 1."""
    values = np.array([[1.0, 2.0, 4.0, 8.0]])
    np.testing.assert_allclose(window_mean(values, (1, 2)), [[np.nan, np.nan, 1.5, 3.0]])


def test_what_visits_met_is_the_mean_over_the_wait():
    """Half come at once, half a day later."""
    values = np.array([[1.0, 2.0, 4.0]])
    np.testing.assert_allclose(smeared(values, np.array([0.5, 0.5])), [[np.nan, 1.5, 3.0]])


def test_days_before_a_visit_are_read_backwards():
    """And are not known before the record begins."""
    values = np.array([[[1.0, 2.0, 4.0]], [[10.0, 20.0, 40.0]]])
    found = before_visit(values, np.array([0, 0]), np.array([2, 0]), n=2)
    np.testing.assert_allclose(found, [[[4, 40], [2, 20]], [[1, 10], [np.nan, np.nan]]])


def test_a_week_is_seven_days_alike():
    """And a week left out is refused."""
    weeks = pd.date_range("2024-01-01", periods=2, freq="7D")
    weekly = xr.DataArray([[1.0, 2.0]], dims=("region", "week"), coords={"week": weeks})
    days = daily(weekly)
    assert days.values.tolist() == [[1.0] * 7 + [2.0] * 7]
    assert days.indexes["time"][7] == pd.Timestamp("2024-01-08")
    with pytest.raises(CulpritError, match="weeks left out"):
        daily(weekly.assign_coords(week=[weeks[0], weeks[1] + pd.Timedelta(days=7)]))
