"""The endemic-epidemic member: what it finds of known counts, and draws worked out by hand."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.special import expit
from scipy.stats import poisson

from models.flare.endemic_epidemic import EndemicEpidemic, _poisson, _recent
from models.flare.endemic_epidemic_fit import Prior, Rows, _Problem, fit_mode
from models.streams import DrawStreams
from models.weeks import phase

LASTING, SIZE, WEEKS = 0.5, 30.0, 312
REGIONS = ["north", "south"]


def _array(values: np.ndarray, first: str = "2014-01-06") -> xr.DataArray:
    """Name the last two axes region and week."""
    weeks = pd.date_range(first, periods=values.shape[-1], freq="7D")
    dims = ("draw", "region", "week")[3 - values.ndim :]
    return xr.DataArray(values, dims=dims, coords={"region": REGIONS, "week": weeks})


@pytest.fixture(scope="module")
def counts() -> xr.DataArray:
    """Two regions, 100 animals each: half of last week's rate, the rest a known season."""
    rng = np.random.default_rng(1)
    weeks = pd.date_range("2014-01-06", periods=WEEKS, freq="7D")
    season = np.exp(0.5 * np.cos(2 * np.pi * phase(weeks)))
    values = np.zeros((2, WEEKS))
    values[:, 0] = 20.0
    for week in range(1, WEEKS):
        mean = np.array([10.0, 20.0]) * season[week] + LASTING * values[:, week - 1]
        values[:, week] = rng.poisson(mean * rng.gamma(SIZE, 1 / SIZE, 2))
    return _array(values)


@pytest.fixture(scope="module")
def fitted(counts: xr.DataArray) -> EndemicEpidemic:
    return EndemicEpidemic().fit(counts, xr.full_like(counts, np.log(100.0)))


def _ahead(weeks: int = 4, draws: int = 60) -> xr.DataArray:
    return _array(np.full((draws, 2, weeks), np.log(100.0)), first="2019-12-30")


def test_what_lasts_and_the_season_are_found(fitted):
    """Two regions of six years, 600 weeks: lambda to 0.1, the season's wave to 0.15, k to half."""
    best = fitted.coefficients_[np.argmax(fitted.weight_)]
    wave = best[1 + len(REGIONS)]
    assert fitted.decay_ == 0.0
    assert expit(best[-2]) == pytest.approx(LASTING, abs=0.1)
    assert wave == pytest.approx(0.5, abs=0.15)
    assert SIZE / 2 < np.exp(best[-1]) < SIZE * 2
    assert fitted.weight_.sum() == pytest.approx(1.0)


def test_told_of_the_same_counts_and_read_back_it_draws_the_same(fitted, counts):
    """To the last bit; newer counts change what comes next."""
    offset = xr.full_like(counts, np.log(100.0))
    stored = json.dumps(fitted.to_dict(), default=lambda a: np.asarray(a).tolist())
    drawn, told, read = (
        one.draw(_ahead(), streams=DrawStreams([1], 60, REGIONS))
        for one in (
            fitted,
            fitted.updated(counts, offset),
            EndemicEpidemic.from_dict(json.loads(stored)),
        )
    )
    assert drawn.equals(told)
    assert drawn.equals(read)
    more = counts.copy()
    more[:, -1] *= 3.0
    moved = fitted.updated(more, offset).draw(_ahead(), streams=DrawStreams([1], 60, REGIONS))
    assert float(moved[:, :, 0].mean()) > 1.5 * float(drawn[:, :, 0].mean())


def test_a_draw_does_not_hang_on_how_many_there_are(fitted):
    few = fitted.draw(_ahead(draws=20), streams=DrawStreams([1], 20, REGIONS))
    many = fitted.draw(_ahead(draws=60), streams=DrawStreams([1], 60, REGIONS))
    assert np.array_equal(few.values, many.values[:20])


def _known(recent: float, week: str = "2019-12-23") -> EndemicEpidemic:
    """Return a member without doubt: endemic rate 5, half of last week's added, Poisson counts."""
    n_terms = 1 + 2 + 6 + 2 + 1 + 2 + 2  # level, regions, waves, turn of year, trend, knots, two
    coefficients = np.zeros(n_terms)
    coefficients[0], coefficients[-1] = np.log(5.0), 12.0
    return EndemicEpidemic.from_dict(
        {
            "n_years": 1,
            "decay": 0.0,
            "fitted_week": "2019-12-23",
            "last_week": week,
            "coefficients": coefficients[None],
            "covariance": 1e-12 * np.eye(n_terms)[None],
            "step": [1e-6],
            "memory": [0.5],
            "weight": [1.0],
            "log_rate": [0.0, 0.0],
            "recent": np.array([[recent] + [np.nan] * 11] * 2),
        }
    )


def test_weeks_ahead_follow_from_the_last_by_hand():
    """5 + 20/2 = 15, then 5 + 15/2 = 12.5, then 11.25; twice the animals, twice the counts."""
    none = np.zeros((4000, 2, 3))
    none[:, 1] = np.log(2.0)
    ahead = _array(none, first="2019-12-30")
    drawn = _known(20.0).draw(ahead, streams=DrawStreams([4], 4000, REGIONS)).mean("draw").values
    assert drawn[0] == pytest.approx([15.0, 12.5, 11.25], rel=0.02)
    assert drawn[1] == pytest.approx([30.0, 25.0, 22.5], rel=0.02)


def test_a_week_between_that_is_not_known_leaves_the_usual_rate():
    """The last week is two weeks back: what lasts is half of the usual rate, 1: 5 + 1/2."""
    ahead = _array(np.zeros((4000, 2, 1)), first="2019-12-30")
    member = _known(20.0, week="2019-12-16")
    drawn = member.draw(ahead, streams=DrawStreams([4], 4000, REGIONS))
    assert float(drawn.mean()) == pytest.approx(5.5, rel=0.02)


def test_the_recent_rate_leaves_out_weeks_that_are_not_known():
    """(2 + 4/4) / (1 + 1/4) = 2.4; the usual rate where nothing that counts is known."""
    past = np.array([[2.0, np.nan, 4.0], [np.nan, np.nan, np.nan]])
    assert _recent(past, 0.5, np.full(2, 7.0)) == pytest.approx([2.4, 7.0])
    assert _recent(past[:, 1:], 0.0, np.full(2, 7.0)) == pytest.approx([7.0, 7.0])


def test_chances_become_the_counts_of_the_distribution():
    """As SciPy's quantiles, from hardly any to very many."""
    chance = np.linspace(1e-9, 1 - 1e-9, 41)
    for mean in (1e-6, 0.3, 4.0, 250.0, 2e5):
        assert np.array_equal(_poisson(chance, np.full(41, mean)), poisson.ppf(chance, mean))


def test_the_mode_is_one():
    """Slopes are differences of the objective, and vanish at the mode; more doubt, less curved."""
    rng = np.random.default_rng(2)
    design = np.column_stack([np.ones(80), rng.normal(size=80)])
    rows = Rows(design, rng.poisson(6.0, 80) * 1.0, np.full(80, 6.0), rng.gamma(9, 1 / 9, 80))
    problem = _Problem(rows, Prior(np.zeros(4), np.eye(4)))
    at, tiny = np.array([-0.5, 0.2, 0.3, 1.5]), 1e-5
    numeric = [
        (problem.objective(at + tiny * e) - problem.objective(at - tiny * e)) / (2 * tiny)
        for e in np.eye(4)
    ]
    assert problem.slope(at) == pytest.approx(numeric, rel=1e-5, abs=1e-5)
    mode = fit_mode(rows, problem.prior)
    assert np.abs(problem.slope(mode.coefficients)).max() < 0.05
    assert np.linalg.eigvalsh(mode.covariance).min() > 0
