"""The counting engine: which members are asked, and from where their draws start."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.flare.count_forecaster import MEMBERS, CountForecaster
from models.streams import DrawStreams

WEEKS = pd.date_range("2015-01-05", periods=230, freq="7D")
N_DRAWS = 40


@pytest.fixture(scope="module")
def counts() -> xr.DataArray:
    """Around 20 a week, with shocks that last."""
    rng, shock = np.random.default_rng(7), np.zeros(len(WEEKS))
    for week in range(1, len(WEEKS)):
        shock[week] = 0.8 * shock[week - 1] + 0.15 * rng.standard_normal()
    return xr.DataArray(
        rng.poisson(20.0 * np.exp(shock), (1, len(WEEKS))).astype(float),
        dims=("region", "week"),
        coords={"region": ["r0"], "week": WEEKS},
    )


def _fitted(counts: xr.DataArray) -> CountForecaster:
    return CountForecaster().fit(counts, xr.zeros_like(counts), _no_driver(counts))


def _told(engine: CountForecaster, counts: xr.DataArray) -> CountForecaster:
    return engine.updated(counts, xr.zeros_like(counts), _no_driver(counts))


def _no_driver(counts: xr.DataArray) -> xr.DataArray:
    return xr.zeros_like(counts).expand_dims(driver=["none"])


def _drawn(engine: CountForecaster, first: int, n_weeks: int = 12):
    ahead = xr.DataArray(
        np.zeros((N_DRAWS, 1, n_weeks)),
        dims=("draw", "region", "week"),
        coords={"region": ["r0"], "week": WEEKS[first : first + n_weeks]},
    )
    streams = DrawStreams([3], N_DRAWS, ["r0"])
    return engine.draw(ahead, ahead.expand_dims(driver=["none"]), streams=streams)


def test_of_a_short_past_the_regression_is_the_forecast(counts):
    """The table asks for 182 weeks: at 181 there is one member, at 182 there are all."""
    short, enough = (_drawn(_fitted(counts[:, :n]), n) for n in (181, 182))
    assert list(short.members) == ["regression"]
    assert short.blended.identical(short.members["regression"])
    assert list(enough.members) == list(MEMBERS)


def test_weeks_without_a_count_do_not_make_a_past_longer(counts):
    """190 weeks of which ten are not known are too short."""
    gaps = counts[:, :190].copy(deep=True)
    gaps[:, 20:30] = np.nan
    assert list(_drawn(_fitted(gaps), 190).members) == ["regression"]


def test_a_short_past_stays_what_it_was_when_kept_and_told_of_newer_weeks(counts):
    """What is learnt changes when it is learnt anew, not when counts come in."""
    engine = _fitted(counts[:, :181])
    stored = json.loads(json.dumps(engine.to_dict(), default=lambda a: np.asarray(a).tolist()))
    again = CountForecaster.from_dict(stored, engine.usual_rate_)
    assert _drawn(again, 181).blended.identical(_drawn(engine, 181).blended)
    assert list(_drawn(_told(engine, counts[:, :183]), 183).members) == ["regression"]


def test_counts_that_end_early_say_no_more_than_unknown_weeks(counts):
    """A practice that brought no visits for three weeks: the shared shock has faded since."""
    engine = _fitted(counts[:, :175])
    unknown = counts[:, :181].copy(deep=True)
    unknown[:, 178:] = np.nan
    early, late = (_drawn(_told(engine, c), 181).blended for c in (counts[:, :178], unknown))
    assert np.array_equal(early.values, late.values)
    assert not np.array_equal(early.values, _drawn(_told(engine, counts[:, :178]), 178).blended)


def test_counts_of_a_whole_country_are_no_overflow():
    """A million a week is foretold as a million a week: no ceiling of a practice's size."""
    values = np.random.default_rng(1).poisson(1e6, (1, 200)).astype(float)
    many = xr.DataArray(
        values, dims=("region", "week"), coords={"region": ["r0"], "week": WEEKS[:200]}
    )
    middle = _drawn(_fitted(many), 200).blended.median("draw").values
    assert middle == pytest.approx(1e6, rel=0.05)
