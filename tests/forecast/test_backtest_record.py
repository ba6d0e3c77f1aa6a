"""The backtest: the same scores on any number of workers, and after a break."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import forecast.backtest
from forecast.backtest import BacktestTask, backtest, kept_scores
from forecast.cut import DataCut, Known
from forecast.regions import Region
from jobs.demo.places import choose_regions
from jobs.demo.run import sample
from models.flare.recalibration import AS_DRAWN
from models.flare.yearly_review import YearlyReview

AS_OF = date(2023, 3, 1)
FEW = {"first_weeks": 104, "every": 20}


@pytest.fixture(scope="module")
def task() -> BacktestTask:
    """Three years of invented counts of two regions over the sample climate."""
    weather, flowering = sample()
    names = list(choose_regions(weather, flowering))[:2]
    weeks = pd.date_range("2020-02-03", periods=150, freq="7D")
    rng = np.random.default_rng(3)
    season = 1 + 0.5 * np.sin(2 * np.pi * np.arange(150) / 52)
    dims, coords = ("region", "week"), {"region": names, "week": weeks}
    counts = xr.Dataset(
        {
            "flare_visits": (dims, rng.poisson(6 * season, (2, 150)).astype(float)),
            "consultations": (dims, rng.poisson(90.0, (2, 150)).astype(float)),
            "covered_share": (dims, np.full((2, 150), np.nan)),
        },
        coords=coords,
    )
    known = Known(
        AS_OF,
        weather.sel(region=names, time=weather["time"] < np.datetime64(AS_OF)),
        flowering[flowering["date"] < pd.Timestamp(AS_OF)],
        counts,
    )
    somewhere = (36.0, 128.0, 50.0, "Asia/Seoul")
    places = {name: Region(name, name, *somewhere, ("birch", "grasses")) for name in names}
    return BacktestTask(known, places, DataCut(AS_OF, "none", "none", "1", "hindcast"), 1)


@pytest.fixture(scope="module")
def whole(task: BacktestTask) -> pd.DataFrame:
    """All origins, one process, nothing kept."""
    return backtest(task, **FEW)


@pytest.mark.long
def test_every_model_is_scored_at_every_origin(whole: pd.DataFrame) -> None:
    """Origins 104 and 124 have 26 weeks after them; each has the forecast and five others."""
    assert whole["origin"].nunique() == 2
    assert set(whole["model"]) == {
        *("forepaw", "climatology", "trend-climatology", "last value", "last season"),
        "regression",
    }
    assert len(whole) == 2 * 6 * 2 * 26


def test_the_forecast_of_every_origin_holds_the_odds_of_its_weeks(whole: pd.DataFrame) -> None:
    """Those of pressure, which the other members do not tell."""
    ours = whole[whole["model"] == "forepaw"]
    assert ours["odds_high"].between(0, 1).all()
    others = whole[whole["model"] != "forepaw"]
    assert others[["odds_high", "usual_odds", "was_high"]].isna().all(axis=None)


@pytest.mark.long
def test_scores_are_the_same_on_two_workers(task: BacktestTask, whole: pd.DataFrame) -> None:
    """To the last bit."""
    pd.testing.assert_frame_equal(backtest(task, **FEW, workers=2), whole, check_exact=True)


@pytest.mark.long
def test_one_that_was_broken_off_goes_on(task, whole, tmp_path, monkeypatch) -> None:
    """The first origin is kept and not run again; the result is that of an unbroken run."""

    def stop(said: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        backtest(task, **FEW, keep_in=tmp_path, progress=stop)
    assert len(list(tmp_path.glob("*/*.json"))) == 1
    ran, run = [], forecast.backtest._score
    monkeypatch.setattr(
        forecast.backtest, "_score", lambda task, o, learnt: ran.append(o) or run(task, o, learnt)
    )
    again = backtest(task, **FEW, keep_in=tmp_path)
    assert len(ran) == 1
    pd.testing.assert_frame_equal(again, whole, check_exact=True)
    pd.testing.assert_frame_equal(kept_scores(tmp_path), whole, check_exact=True)


def test_nothing_kept_of_other_data_is_taken_up(task, tmp_path) -> None:
    """One visit more is another backtest."""
    counts = task.known.counts.copy(deep=True)
    counts["flare_visits"][0, 0] += 1
    other = BacktestTask(
        Known(AS_OF, task.known.observed, task.known.flowering, counts),
        *(task.regions, task.cut, task.seed),
    )
    assert forecast.backtest._rests_on(task) == forecast.backtest._rests_on(task)
    assert forecast.backtest._rests_on(task) != forecast.backtest._rests_on(other)


def test_a_backtest_that_is_asked_for_again_is_the_last(task, tmp_path, monkeypatch) -> None:
    """Also where all its origins are kept, so that none is scored: rules are simulated on it."""

    def scores(task, left, workers):
        return (pd.DataFrame({"origin": [o], "week": [o], "seed": [task.seed]}) for o in left)

    monkeypatch.setattr(forecast.backtest, "_scores", scores)
    for age, seed in ((200, 1), (100, 2)):
        backtest(replace(task, seed=seed), **FEW, keep_in=tmp_path)
        for path in (tmp_path / forecast.backtest._rests_on(replace(task, seed=seed))).iterdir():
            os.utime(path, (path.stat().st_atime, path.stat().st_mtime - age))
    assert set(kept_scores(tmp_path)["seed"]) == {2}
    backtest(replace(task, seed=1), **FEW, keep_in=tmp_path)
    assert set(kept_scores(tmp_path)["seed"]) == {1}


def test_the_review_of_a_year_serves_its_first_origin_too(task, monkeypatch) -> None:
    """It was made of what that origin knows: made there again it would come out the same."""
    first, drivers = date(2023, 1, 2), ("temperature", "humidity")
    made = YearlyReview(date(2023, 1, 1), first, drivers, None, AS_DRAWN)
    monkeypatch.setattr(forecast.backtest, "fit_onsets", lambda known, regions: {})
    monkeypatch.setattr(
        forecast.backtest, "train_with", lambda *_, **__: SimpleNamespace(review=made)
    )
    learnt = forecast.backtest._learn_year(task, 2023)
    assert not made.stands_at(first, drivers)
    assert learnt.review.stands_at(first, drivers)
    assert not learnt.review.stands_at(date(2024, 1, 1), drivers)
