import numpy as np
import pandas as pd
import xarray as xr

from models.flare.climatology import climatology_pool, draw_climatology, draw_last_season
from models.streams import DrawStreams


def _streams():
    return DrawStreams([3], 400, ["a"])


def _rate(values):
    weeks = pd.date_range("2018-01-01", periods=len(values), freq="7D")
    return xr.DataArray([values], dims=("region", "week"), coords={"region": ["a"], "week": weeks})


def _consultations(first: str, weeks: int, value: float = 100.0, draws: int = 400):
    return xr.DataArray(
        np.full((draws, 1, weeks), value),
        dims=("draw", "region", "week"),
        coords={"region": ["a"], "week": pd.date_range(first, periods=weeks, freq="7D")},
    )


def test_the_pool_holds_the_same_week_and_two_on_each_side_of_every_year():
    """Three past years lend 3 x 5 values to a week in mid-year."""
    rate = _rate(np.arange(3 * 52, dtype=float))
    pool = climatology_pool(rate, np.array(["2021-07-05"], dtype="datetime64[D]"))
    values = np.sort(pool[0, 0])
    assert len(values) == 15
    assert np.ptp(values[:5]) == 4
    assert values[5] - values[0] == 52


def test_the_pool_runs_over_new_year():
    """The first week of January lends from the last weeks of December."""
    rate = _rate(np.tile(np.r_[np.zeros(50), 1.0, 1.0], 3))
    pool = climatology_pool(rate, np.array(["2021-01-04"], dtype="datetime64[D]"))
    assert np.nansum(pool) > 0


def test_climatology_scales_with_consultations():
    """Twice the consultations, twice the visits."""
    rate = _rate(np.full(156, 0.03))
    small = draw_climatology(rate, _consultations("2021-01-04", 10), streams=_streams())
    large = draw_climatology(rate, _consultations("2021-01-04", 10, 200.0), streams=_streams())
    assert float(small.mean()) == 3
    assert float(large.mean()) == 6


def test_a_region_without_a_past_has_no_climatology():
    """Not known stays not known."""
    rate = _rate(np.full(156, np.nan))
    drawn = draw_climatology(rate, _consultations("2021-01-04", 4), streams=_streams())
    assert drawn.isnull().all()


def test_last_season_repeats_the_year_before():
    """With no change from year to year the draws are last year's value."""
    year = 0.02 + 0.01 * np.sin(np.arange(52) / 52 * 2 * np.pi)
    rate = _rate(np.tile(year, 3))
    consultations = _consultations(str(rate["week"].values[-1] + np.timedelta64(7, "D"))[:10], 20)
    drawn = draw_last_season(rate, consultations, streams=_streams())
    expected = 100 * year[:20]
    assert np.allclose(drawn.mean("draw").values[0], expected)
    assert np.allclose(drawn.std("draw").values, 0)
