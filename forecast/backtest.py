"""The record: forecasts from past origins, each with only what was known then, and their scores.

Origins do not depend on each other, so they are spread over processes; each has a seed of its own,
and the scores are the same on any number of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from multiprocessing import get_context

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from forecast.cut import DataCut, Known
from forecast.regions import Region
from forecast.training import fit_onsets, futures, train_with
from models.backtest import rolling_origins, score_origin
from models.season import FloweringOnset

WEEKS_AHEAD = 26
DRAWS = 200


@dataclass(frozen=True)
class BacktestTask:
    """What every origin of a backtest shares."""

    known: Known
    regions: Mapping[str, Region]
    cut: DataCut
    seed: int


def backtest(
    task: BacktestTask,
    *,
    first_weeks: int,
    every: int,
    workers: int = 1,
    progress: Callable[[str], None] = lambda _: None,
) -> pd.DataFrame:
    """Forecast from past origins and return every score; empty without visits.

    The first origin has `first_weeks` of counts behind it, the others follow every `every` weeks.
    """
    if task.known.counts is None:
        return pd.DataFrame()
    weeks = task.known.counts["week"].values
    origins = rolling_origins(weeks, first=first_weeks, every=every, n_ahead=WEEKS_AHEAD)
    frames = []
    for number, frame in enumerate(_scores(task, origins, workers), start=1):
        frames.append(frame)
        progress(f"origin {number} of {len(origins)}")
    scored = [frame for frame in frames if not frame.empty]
    return pd.concat(scored, ignore_index=True) if scored else pd.DataFrame()


def _scores(
    task: BacktestTask, origins: Sequence[np.datetime64], workers: int
) -> Iterator[pd.DataFrame]:
    if workers <= 1 or len(origins) < 2:
        scorer = _Scorer(task)
        yield from map(scorer, origins)
        return
    # a fresh process each: the climate store's threads do not survive a fork
    pool = ProcessPoolExecutor(
        min(workers, len(origins)), get_context("spawn"), initializer=_begin, initargs=(task,)
    )
    with pool:
        yield from pool.map(_score_in_process, origins)


class _Scorer:
    """Scores origins one by one; onset models are fitted once a year and kept."""

    def __init__(self, task: BacktestTask) -> None:
        self.task = task
        self.onsets: dict[int, dict[str, FloweringOnset]] = {}

    def __call__(self, origin: np.datetime64) -> pd.DataFrame:
        with threadpool_limits(1):
            return self._score(origin)

    def _score(self, origin: np.datetime64) -> pd.DataFrame:
        task = self.task
        then = task.known.before(pd.Timestamp(origin).date())
        year = then.origin.year
        if year not in self.onsets:
            # flowering of earlier years only, so one fit serves all origins of a year
            self.onsets[year] = fit_onsets(task.known.before(date(year, 1, 1)), task.regions)
        model = train_with(then, task.regions, cut=task.cut, onsets=self.onsets[year])
        drawn = futures(
            model,
            then,
            n_weeks=WEEKS_AHEAD,
            n_draws=DRAWS,
            seed=[task.seed, then.origin.toordinal()],
            with_dates=False,
        )
        if drawn.visits is None or task.known.counts is None:
            return pd.DataFrame()
        forecasts = {"forepaw": drawn.visits.visits, **drawn.visits.members}
        return score_origin(task.known.counts["flare_visits"], forecasts, origin=origin)


_scorer: _Scorer | None = None


def _begin(task: BacktestTask) -> None:
    global _scorer
    _scorer = _Scorer(task)


def _score_in_process(origin: np.datetime64) -> pd.DataFrame:
    assert _scorer is not None
    return _scorer(origin)
