import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.backtest import (
    quantiles_of,
    rolling_origins,
    score_origin,
    season_blocks,
    summarise,
)
from models.scores import QUANTILE_LEVELS

WEEKS = pd.date_range("2020-01-06", periods=60, freq="7D")


def _draws(values, weeks=WEEKS[:26]):
    return xr.DataArray(
        values, dims=("draw", "region", "week"), coords={"region": ["a"], "week": weeks}
    )


def test_origins_leave_room_before_and_after():
    """The first origin has its training weeks behind it, the last its horizon before it."""
    origins = rolling_origins(WEEKS.values, first=20, every=5, n_ahead=26)
    assert origins[0] == np.datetime64(WEEKS[20], "D")
    assert origins[-1] == np.datetime64(WEEKS[30], "D")
    assert len(origins) == 3


def test_quantiles_are_those_of_the_draws():
    """The median level holds the median, and levels rise."""
    draws = _draws(np.random.default_rng(0).poisson(8, (500, 1, 26)))
    quantiles = quantiles_of(draws)
    assert quantiles.sizes["quantile"] == len(QUANTILE_LEVELS)
    assert np.array_equal(quantiles.sel(quantile=0.5).values, np.median(draws.values, axis=0))
    assert (quantiles.diff("quantile") >= 0).all()


@pytest.mark.parametrize("mean", [0.8, 3.0, 25.0])
def test_coverage_of_a_true_forecast_is_nominal_for_small_and_large_counts(mean):
    """Draws from the truth hold 50 and 90 %, where closed intervals of counts would hold more."""
    rng = np.random.default_rng(7)
    held = {"within_50": [], "within_90": []}
    for _ in range(60):
        draws = _draws(rng.poisson(mean, (2000, 1, 26)))
        observed = xr.DataArray(
            rng.poisson(mean, (1, 26)).astype(float),
            dims=("region", "week"),
            coords={"region": ["a"], "week": WEEKS[:26]},
        )
        scores = score_origin(observed, {"truth": draws}, origin=np.datetime64("2020-01-06"))
        for name in held:
            held[name] += scores[name].tolist()
    assert np.mean(held["within_50"]) == pytest.approx(0.5, abs=0.03)
    assert np.mean(held["within_90"]) == pytest.approx(0.9, abs=0.02)


def test_weeks_not_reported_are_not_scored():
    """A missing week is no week of zero visits."""
    observed = xr.DataArray(
        np.full((1, 26), 5.0), dims=("region", "week"), coords={"region": ["a"], "week": WEEKS[:26]}
    )
    observed[0, 3] = np.nan
    draws = _draws(np.full((50, 1, 26), 5))
    scores = score_origin(observed, {"m": draws}, origin=np.datetime64("2020-01-06"))
    assert len(scores) == 25
    assert scores["wis"].max() == 0
    assert scores["lead"].min() == 1


def test_relative_scores_are_ratios_on_common_cases():
    """A model twice as wrong as the reference has a relative score of two."""
    observed = xr.DataArray(
        np.full((1, 26), 10.0),
        dims=("region", "week"),
        coords={"region": ["a"], "week": WEEKS[:26]},
    )
    forecasts = {
        "climatology": _draws(np.full((20, 1, 26), 12)),
        "model": _draws(np.full((20, 1, 26), 14)),
    }
    scores = score_origin(observed, forecasts, origin=np.datetime64("2020-01-06"))
    table = summarise(scores, references=("climatology",)).set_index(["model", "lead"])
    assert table.loc[("model", "all"), "relative to climatology"] == pytest.approx(2.0)
    assert table.loc[("model", "1-4"), "cases"] == 4


def test_quantiles_are_those_of_the_draws_that_are_known():
    """Four of six draws known in one week, all in the next, none in the third."""
    draws = np.array([[3.0, 6.0, 9.0, 12.0, np.nan, np.nan], [0, 1, 2, 3, 4, 5], [np.nan] * 6]).T
    found = quantiles_of(xr.DataArray(draws, dims=("draw", "week")))
    median = found.sel(quantile=0.5).values
    assert median[:2].tolist() == [7.5, 2.5]
    assert np.isnan(median[2])
    known = np.quantile([3.0, 6.0, 9.0, 12.0], found["quantile"].values)
    np.testing.assert_allclose(found.isel(week=0).values, known)


@pytest.mark.parametrize(
    ("n_weeks", "n_seasons"), [(20, 1), (52, 1), (77, 1), (78, 2), (104, 2), (156, 3), (160, 3)]
)
def test_a_last_year_of_less_than_half_is_no_season_of_its_own(n_weeks, n_seasons):
    """Weeks 52 to 76 join the first season; 26 weeks are the half that makes a second."""
    weeks = pd.date_range("2020-03-02", periods=n_weeks, freq="7D")
    seasons = season_blocks(weeks)
    assert list(np.unique(seasons)) == list(range(n_seasons))
    assert (seasons[:52] == 0).all()
    assert np.bincount(seasons).min() >= min(n_weeks, 26)


def test_seasons_are_those_of_the_weeks_in_any_order():
    """A week twice, or out of turn, as regions and origins bring them."""
    weeks = pd.date_range("2020-03-02", periods=110, freq="7D").to_numpy()
    mixed = np.random.default_rng(1).permutation(np.concatenate([weeks, weeks]))
    expected = dict(zip(weeks, [0] * 52 + [1] * 58, strict=True))
    assert list(season_blocks(mixed)) == [expected[week] for week in mixed]


def test_draws_that_are_not_known_are_no_miss():
    """Of draws 1 to 4 a count of 3 takes the step from a half to three quarters, inside both bands.

    A fifth that is not known changes nothing; where none is known nothing is said.
    """
    draws = _draws(np.array([1.0, 2.0, 3.0, 4.0, np.nan])[:, None, None].repeat(2, 2), WEEKS[:2])
    draws[:, 0, 1] = np.nan
    seen = xr.DataArray(
        np.full((1, 60), 3.0), dims=("region", "week"), coords={"region": ["a"], "week": WEEKS}
    )
    found = score_origin(seen, {"m": draws}, origin=np.datetime64(WEEKS[0], "D"))
    assert found["within_50"].tolist()[0] == found["within_90"].tolist()[0] == 1.0
    assert found.loc[1, ["within_50", "within_90", "wis"]].isna().all()
